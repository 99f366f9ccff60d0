"""Ions and salts: what each weighs, its charge, and for how much of each analyte it counts.

A hydrate is a salt of its own; none is guessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

import msgspec
import numpy as np

from shared.errors import FileError
from shared.quantities import plain
from shared.water import Vector, Water, molar
from shared.water.salts import SALTS, Salt

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


#: Half-width of a molar mass, relative: covers the IUPAC intervals of standard atomic weights of 2021 for every
#: salt here; those of sulfur and chlorine are the widest.
MOLAR_MASS_RELATIVE_U: Final = 2e-4
#: Largest relative difference between a stated molar mass and that of the formula: beyond it, it is another hydrate.
_SAME_SALT: Final = 1e-3

_OWN: Final = (
    Salt("NaCl", "sodium chloride", molar.NA + molar.CL, (("na", 1.0), ("cl", 1.0))),
    Salt("KCl", "potassium chloride", molar.K + molar.CL, (("k", 1.0), ("cl", 1.0))),
    Salt("MgCl2 anhydrous", "magnesium chloride, anhydrous", 95.211, (("mg", 1.0), ("cl", 2.0))),
    Salt("Na2SO4 anhydrous", "sodium sulfate, anhydrous", 142.036, (("na", 2.0), ("so4", 1.0))),
)
#: Every salt whose molar mass and ions need not be given.
KNOWN: Final[dict[str, Salt]] = SALTS | {s.formula: s for s in _OWN}

Share = Annotated[float, msgspec.Meta(gt=0, le=1.1)]
MolarMass = Annotated[float, msgspec.Meta(gt=0)]


class SaltLot(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A bottle on the shelf. ``purity``: mass fraction by its certificate, give or take ``purity_tolerance``.

    A formula that is not known needs ``molar_mass`` (g/mol, as weighed, water of crystallisation included)
    and ``ions`` (number of each in a formula unit).
    """

    formula: str
    lot: str
    purity: Share
    purity_tolerance: Annotated[float, msgspec.Meta(ge=0, lt=0.5)]
    food_grade: bool = False
    id: str = ""
    molar_mass: MolarMass | None = None
    ions: dict[str, Annotated[int, msgspec.Meta(gt=0)]] = {}

    @property
    def key(self) -> str:
        """Its name in stocks: its ID or, without one, its formula."""
        return self.id or self.formula


@dataclass(frozen=True, slots=True)
class Substance:
    """A lot with molar mass and ions of its formula."""

    lot: SaltLot
    formula: str
    molar_mass: float
    ions: Mapping[str, float]


def substance(lot: SaltLot, *, where: str) -> Substance:
    """The lot's salt looked up or, for an unknown one, taken as stated. FileError where neither is possible."""
    known = KNOWN.get(plain(lot.formula).replace(".", "·").replace("*", "·"))
    if known is None:
        return _stated(lot, where=where)
    if lot.molar_mass is not None and abs(lot.molar_mass / known.molar_mass - 1) > _SAME_SALT:
        raise FileError(f"this molar mass is not that of {known.formula}", where=f"{where}.molar_mass",
                        found=f"{lot.molar_mass:g} g/mol", allowed=f"{known.molar_mass:g} g/mol, or none",
                        remedy="check the formula on the label: each hydrate is a separate salt")
    return Substance(lot, known.formula, known.molar_mass, ions_of(known))


def ions_of(salt: Salt) -> dict[str, float]:
    """Ions a formula brings, as they sit in the solid: the carbonate system by its equivalents per carbon."""
    names = {"ca": "Ca", "mg": "Mg", "na": "Na", "k": "K", "cl": "Cl", "so4": "SO4"}
    ions = {names[total]: n for total, n in salt.adds if total in names}
    carbon, base = salt.per_mol("carbon"), salt.per_mol("alkalinity")
    carbonate = max(0.0, base - carbon) if carbon else 0.0
    basic = {"CO3": carbonate, "HCO3": carbon - carbonate, "OH": base - carbon - carbonate}
    return ions | {name: n for name, n in basic.items() if n}


def _stated(lot: SaltLot, *, where: str) -> Substance:
    if lot.molar_mass is None or not lot.ions:
        raise FileError("this salt is unknown, or its formula does not state its crystal water", where=where,
                        found=lot.formula, allowed=", ".join(KNOWN),
                        remedy="write the formula as on the label, or add molar_mass (g/mol) and ions")
    unlisted = [name for name in lot.ions if name not in IONS]
    if unlisted:
        raise FileError("an unknown ion", where=f"{where}.ions", found=unlisted[0], allowed=", ".join(IONS))
    if charge(lot.ions):
        raise FileError("the charges of the ions do not add up to zero", where=f"{where}.ions",
                        found=f"{charge(lot.ions):+g}", remedy="count the ions of one formula unit again")
    return Substance(lot, lot.formula, lot.molar_mass, lot.ions)
