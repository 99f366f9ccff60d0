"""Propagation of uncertainty against Eurachem/CITAC worked examples and against Monte Carlo."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calibration.standards_plan.file import WeighingOrder
from calibration.standards_plan.glassware import Balance, Flask
from calibration.standards_plan.preparation import Preparation, mixed
from calibration.standards_plan.salts import SaltLot, Substance, amount
from calibration.standards_plan.stock import FilledFlask, WeighedStock
from calibration.standards_plan.uncertainty import At, Source, propagate
from shared.water import Vector

DATA = Path(__file__).parents[2] / "data"


def published(name: str) -> dict[str, float]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return {quantity: float(value) for quantity, value in (x.split(",") for x in lines if not x.startswith("#"))}


def test_cadmium_standard_of_quam_a1() -> None:
    """quam-cadmium-standard.csv: the value, its uncertainty and every part of it, through a weighed stock."""
    lot = SaltLot(formula="Cd", lot="", purity=0.9999, purity_tolerance=0.0001)
    balance = Balance(id="b", readability_mg=1e-6, linearity_mg=0, repeatability_mg=0.05, smallest_mg=1, capacity_g=1)
    flask = Flask(id="f", volume_ml=100, tolerance_ml=0.1, repeatability_ml=0.02)
    order = WeighingOrder(id="Cd", salt="Cd", strength_g_l=1, flask="f", weighed_g=0.10028)
    stock = WeighedStock(order, Substance(lot, "Cd", 112.414, {}), balance, FilledFlask(flask, "Cd", 4.0))
    found, table = propagate(stock.mass_concentration), published("quam-cadmium-standard.csv")
    assert found.value == pytest.approx(table["concentration"], abs=0.05)
    assert found.u == pytest.approx(table["combined"], abs=5e-4)
    parts = {p.name: p.u for p in found.parts}
    for name, key in {"mass of Cd: repeatability": "mass", "temperature of Cd": "temperature", "flask f": "flask",
                      "filling Cd": "filling", "purity of Cd, lot ": "purity"}.items():
        assert parts[name] == pytest.approx(table[key], rel=1e-3), key


def test_sodium_hydroxide_of_quam_a2() -> None:
    """Example A2, sodium hydroxide by KHP: 0.10214 mol/L, u 0.00010 (0.1005e-3 in GTC's docs/API/CITAC_A2.rst)."""
    tare, gross = (Source(n, 0.0, 0.15e-3, "rectangular") for n in ("tare", "gross"))
    purity, repeat = Source("P", 1.0, 0.0005, "rectangular"), Source("R", 1.0, 0.0005, "normal")
    weights = {Source("C", 12.0107, 0.0008, "rectangular"): 8, Source("H", 1.00794, 0.00007, "rectangular"): 5,
               Source("O", 15.9994, 0.0003, "rectangular"): 4, Source("K", 39.0983, 0.0001, "rectangular"): 1}
    volume, warmth = Source("V", 18.64, 0.03, "triangular"), Source("T", 0.0, 0.006, "normal")

    def concentration(at: At) -> Vector:
        molar = sum((n * at(element) for element, n in weights.items()), np.zeros(()))
        return np.asarray(1000 * (0.3888 + at(gross) - at(tare)) * at(purity) * at(repeat)
                          / (molar * (at(volume) + at(warmth))))

    found = propagate(concentration)
    assert found.value == pytest.approx(0.102136159706, rel=1e-9)
    assert found.u == pytest.approx(0.000100500722, rel=1e-4)


def test_the_same_quantity_twice_is_one() -> None:
    """A quantity minus itself has no uncertainty; two equal quantities have (JCGM 100:2008, 5.2.2)."""
    one, other = Source("one", 5.0, 0.3, "normal"), Source("other", 5.0, 0.3, "normal")
    assert propagate(lambda at: at(one) - at(one)).u == 0
    assert propagate(lambda at: at(one) - at(other)).u == pytest.approx(0.3 * 2**0.5)


def draws(n: int, seed: int) -> At:
    """Every source as ``n`` draws from its own distribution (JCGM 101:2008, 6.4), the same each time it is asked."""
    rng, drawn = np.random.default_rng(seed), dict[Source, Vector]()

    def at(source: Source) -> Vector:
        if source not in drawn:
            a = source.spread
            drawn[source] = source.value + {"normal": lambda: rng.normal(0, a, n),
                                            "rectangular": lambda: rng.uniform(-a, a, n),
                                            "triangular": lambda: rng.triangular(-a, 0, a, n) if a else np.zeros(n),
                                            }[source.shape]()
        return drawn[source]

    return at


def test_prepared_values_by_monte_carlo(made: Preparation) -> None:
    """A second way (JCGM 101:2008): mean and standard deviation of 40 000 draws, every salt solution of the plan.

    The standard deviation of 40 000 draws is itself known to 0.35 %; 2 % leaves five of that for 49 values.
    """
    at, checked = draws(40_000, seed=101), 0
    for solution in made.solutions:
        if solution.recipe is None:
            continue
        composition = mixed(solution.recipe, at)
        for value in solution.values:
            prepared, blank = value.prepared, made.plan.blanks[value.analyte]
            assert prepared is not None
            drawn = amount(composition, value.analyte) + at(Source(f"blank {value.analyte}", 0, blank.u, "normal"))
            assert np.std(drawn) == pytest.approx(prepared.u, rel=0.02), (solution.id, value.analyte)
            assert abs(np.mean(drawn) - prepared.value) < 5 * prepared.u / 200, (solution.id, value.analyte)
            checked += 1
    assert checked == 49
