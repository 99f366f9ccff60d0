"""Compositions against PHREEQC, fed with the masses that were weighed; charges always balance."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from phreeqpython import PhreeqPython

from calibration.standards_plan.preparation import Preparation, Solution, chemistry
from calibration.standards_plan.salts import IONS, KNOWN, charge, ions_of
from calibration.standards_plan.stock import WeighedStock
from calibration.standards_plan.uncertainty import nominal
from tests.loops import some

#: PHREEQC's names of what we count by ion.
ELEMENTS = {"Ca": "Ca", "Mg": "Mg", "Na": "Na", "Cl": "Cl", "SO4": "S(6)", "HCO3": "C(4)"}


def weighed_in(solution: Solution) -> dict[str, float]:
    """mmol/L of each salt by arithmetic of masses, purities and volumes alone; crystal water left to the water."""
    assert solution.recipe is not None
    salts: dict[str, float] = {}
    for a in solution.recipe.aliquots:
        assert isinstance(a.stock, WeighedStock)
        per_litre = a.stock.mass_mg * a.stock.substance.lot.purity / a.stock.substance.molar_mass
        per_litre *= 1000 / a.stock.made.flask.volume_ml
        salt = a.stock.substance.formula.partition("·")[0]
        salts[salt] = per_litre * a.draw.total_ml / solution.recipe.made.flask.volume_ml
    return salts


def test_compositions_and_chemistry_are_those_of_phreeqc(made: Preparation) -> None:
    """Every solution without hypochlorite: elements within 1 % (here 0.01 %), pH 0.02, SI 0.03, air at 420 ppm CO2."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        phreeqc = PhreeqPython()
    ours, checked = chemistry(made.solutions, made.plan.temperature_c), 0
    for solution in made.solutions:
        ions = solution.composition(nominal)
        if not ions or "OCl" in ions:
            continue
        theirs = phreeqc.add_solution_simple(weighed_in(solution), temperature=made.plan.temperature_c)
        for ion, element in ELEMENTS.items():
            mmol = 1e3 * theirs.elements.get(element, 0.0)
            assert mmol == pytest.approx(float(ions.get(ion, 0)), rel=1e-4, abs=1e-9), (solution.id, ion)
        if "HCO3" in ions:
            assert ours[solution.id].ph_made == pytest.approx(theirs.pH, abs=0.02)
            assert ours[solution.id].si_made == pytest.approx(theirs.si("Calcite"), abs=0.03)
            theirs.equalize(["CO2(g)"], [np.log10(420e-6)])
            assert ours[solution.id].ph_air == pytest.approx(theirs.pH, abs=0.02)
            assert ours[solution.id].si_air == pytest.approx(theirs.si("Calcite"), abs=0.03)
        checked += 1
    assert checked == 13


@given(st.dictionaries(st.sampled_from(sorted(KNOWN)), st.floats(0.001, 10), min_size=1))
def test_charges_balance_whatever_is_mixed(salts: dict[str, float]) -> None:
    """Electroneutrality: mmol/L of salts in, no net charge of ions out."""
    ions = dict.fromkeys(IONS, 0.0)
    for formula, mmol in salts.items():
        for ion, n in ions_of(KNOWN[formula]).items():
            ions[ion] += n * mmol
    assert charge(ions) == pytest.approx(0, abs=1e-9 * sum(ions.values()))


def test_charges_of_every_solution_balance(made: Preparation) -> None:
    """Hypochlorite with its salt and alkali too."""
    for solution in some(made.solutions):
        ions = {ion: float(mmol) for ion, mmol in solution.composition(nominal).items()}
        assert charge(ions) == pytest.approx(0, abs=1e-12 + 1e-12 * sum(ions.values())), solution.id
