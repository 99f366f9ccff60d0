"""Ions: what each weighs, its charge, and for how much of each analyte it counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from shared.water import Vector, Water, molar

#: mmol/L of each ion, as the salts brought them.
Composition = Mapping[str, Vector]


@dataclass(frozen=True, slots=True)
class Ion:
    """``molar_mass`` g/mol; ``totals``: what a mole adds to the totals of a water.

    Nitrate and hypochlorite have no total there; each counts as chloride, which is as weak a base.
    """

    shown: str
    charge: int
    molar_mass: float
    totals: tuple[tuple[str, float], ...]


_O: Final = molar.CO3 - molar.CO2
_ONE_STRONG_ANION: Final = (("cl", 1.0),)
IONS: Final[dict[str, Ion]] = {
    "Ca": Ion("Ca²⁺", 2, molar.CA, (("ca", 1.0),)),
    "Mg": Ion("Mg²⁺", 2, molar.MG, (("mg", 1.0),)),
    "Na": Ion("Na⁺", 1, molar.NA, (("na", 1.0),)),
    "K": Ion("K⁺", 1, molar.K, (("k", 1.0),)),
    "Cl": Ion("Cl⁻", -1, molar.CL, _ONE_STRONG_ANION),
    "SO4": Ion("SO₄²⁻", -2, molar.SO4, (("so4", 1.0),)),
    "NO3": Ion("NO₃⁻", -1, 62.004, _ONE_STRONG_ANION),
    "HCO3": Ion("HCO₃⁻", -1, molar.HCO3, (("alkalinity", 1.0), ("carbon", 1.0))),
    "CO3": Ion("CO₃²⁻", -2, molar.CO3, (("alkalinity", 2.0), ("carbon", 1.0))),
    "OH": Ion("OH⁻", -1, 17.007, (("alkalinity", 1.0),)),
    "OCl": Ion("OCl⁻", -1, molar.CL + _O, _ONE_STRONG_ANION),
}

_EQUIVALENT: Final = molar.CACO3 / 2
#: By analyte: what 1 mmol/L of an ion counts for, in the analyte's unit. Hypochlorite takes up acid too.
COUNTS: Final[dict[str, dict[str, float]]] = {
    "hardness": {"Ca": molar.CACO3, "Mg": molar.CACO3},
    "alkalinity": {"HCO3": _EQUIVALENT, "CO3": 2 * _EQUIVALENT, "OH": _EQUIVALENT, "OCl": _EQUIVALENT},
    "chloride": {"Cl": molar.CL},
    "chlorine": {"OCl": 2 * molar.CL},
    "calcium": {"Ca": molar.CA},
    "magnesium": {"Mg": molar.MG},
    "sodium": {"Na": molar.NA},
    "potassium": {"K": molar.K},
    "sulfate": {"SO4": molar.SO4},
    "nitrate": {"NO3": IONS["NO3"].molar_mass},
}


def charge(ions: Mapping[str, float]) -> float:
    """Sum of charges of the given amounts of ions."""
    return sum(IONS[name].charge * n for name, n in ions.items())


def amount(composition: Composition, analyte: str) -> Vector:
    """Concentration of an analyte in a composition, in the analyte's unit."""
    counts = COUNTS[analyte]
    return np.asarray(sum((counts[ion] * mmol for ion, mmol in composition.items() if ion in counts), np.zeros(())))


def water(composition: Composition) -> Water:
    """The composition as a water whose chemistry can be solved."""
    totals = dict.fromkeys(("ca", "mg", "na", "k", "cl", "so4", "alkalinity", "carbon"), np.zeros(()))
    for ion, mmol in composition.items():
        for total, n in IONS[ion].totals:
            totals[total] = totals[total] + n * np.asarray(mmol) / 1e3
    return Water(**totals)
