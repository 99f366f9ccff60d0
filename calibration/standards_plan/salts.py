"""Salts at hand: which ions a gram brings. A hydrate is a salt of its own; none is guessed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

import msgspec

from calibration.standards_plan.ions import IONS, charge
from shared.errors import FileError
from shared.quantities import plain
from shared.water import molar
from shared.water.salts import SALTS, Salt

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
        """What stocks call it: its id or, without one, its formula."""
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
                        remedy="another hydrate is another salt: read the formula on the label")
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
        raise FileError("this salt is not known, or its formula leaves its crystal water open", where=where,
                        found=lot.formula, allowed=", ".join(KNOWN),
                        remedy="write the formula as on the label, or add molar_mass (g/mol) and ions")
    strange = [name for name in lot.ions if name not in IONS]
    if strange:
        raise FileError("an unknown ion", where=f"{where}.ions", found=strange[0], allowed=", ".join(IONS))
    if charge(lot.ions):
        raise FileError("the charges of the ions do not add up to zero", where=f"{where}.ions",
                        found=f"{charge(lot.ions):+g}", remedy="count the ions of one formula again")
    return Substance(lot, lot.formula, lot.molar_mass, lot.ions)
