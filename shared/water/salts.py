"""Salts that can be added to a water. Each hydrate is a separate salt, because its crystal water has mass."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from shared.errors import InputError
from shared.water import molar
from shared.water.composition import Vector, Water


@dataclass(frozen=True, slots=True)
class Salt:
    """``molar_mass`` g/mol as weighed; ``adds``: moles (equivalents) of each total of a water per mole."""

    formula: str
    name: str
    molar_mass: float
    adds: tuple[tuple[str, float], ...]

    def per_mol(self, total: str) -> float:
        """Return the moles (equivalents) of ``total`` that a mole of the salt adds."""
        return dict(self.adds).get(total, 0.0)

    @property
    def mg_per_hardness(self) -> float:
        """Mass of the salt (mg) that gives 1 mg/L CaCO3 of hardness in a litre."""
        return self.molar_mass / (molar.CACO3 * (self.per_mol("ca") + self.per_mol("mg")))

    @property
    def mg_per_alkalinity(self) -> float:
        """Mass of the salt (mg) that gives 1 mg/L CaCO3 of alkalinity in a litre."""
        return self.molar_mass / (molar.CACO3 / 2 * self.per_mol("alkalinity"))


_CHLORIDE_OF_2: Final = ("cl", 2.0)
CALCIUM_CHLORIDE_ANHYDROUS: Final = Salt(
    "CaCl2 anhydrous", "calcium chloride, anhydrous", 110.984, (("ca", 1.0), _CHLORIDE_OF_2)
)
CALCIUM_CHLORIDE_DIHYDRATE: Final = Salt(
    "CaCl2·2H2O", "calcium chloride dihydrate", 147.014, (("ca", 1.0), _CHLORIDE_OF_2)
)
MAGNESIUM_SULFATE_ANHYDROUS: Final = Salt(
    "MgSO4 anhydrous", "magnesium sulfate, anhydrous", 120.361, (("mg", 1.0), ("so4", 1.0))
)
MAGNESIUM_SULFATE_HEPTAHYDRATE: Final = Salt(
    "MgSO4·7H2O", "magnesium sulfate heptahydrate (Epsom salt)", 246.466, (("mg", 1.0), ("so4", 1.0))
)
MAGNESIUM_CHLORIDE_HEXAHYDRATE: Final = Salt(
    "MgCl2·6H2O", "magnesium chloride hexahydrate", 203.301, (("mg", 1.0), _CHLORIDE_OF_2)
)
CALCIUM_SULFATE_DIHYDRATE: Final = Salt(
    "CaSO4·2H2O", "calcium sulfate dihydrate (gypsum)", 172.164, (("ca", 1.0), ("so4", 1.0))
)
CALCIUM_HYDROXIDE: Final = Salt("Ca(OH)2", "calcium hydroxide", 74.092, (("ca", 1.0), ("alkalinity", 2.0)))
SODIUM_BICARBONATE: Final = Salt(
    "NaHCO3", "sodium bicarbonate", 84.0058, (("na", 1.0), ("alkalinity", 1.0), ("carbon", 1.0))
)
POTASSIUM_BICARBONATE: Final = Salt(
    "KHCO3", "potassium bicarbonate", 100.1143, (("k", 1.0), ("alkalinity", 1.0), ("carbon", 1.0))
)
SODIUM_CARBONATE: Final = Salt(
    "Na2CO3", "sodium carbonate", 105.9875, (("na", 2.0), ("alkalinity", 2.0), ("carbon", 1.0))
)

#: Every salt by its formula, with its crystal water.
SALTS: Final[dict[str, Salt]] = {
    s.formula: s
    for s in (
        CALCIUM_CHLORIDE_ANHYDROUS,
        CALCIUM_CHLORIDE_DIHYDRATE,
        MAGNESIUM_SULFATE_ANHYDROUS,
        MAGNESIUM_SULFATE_HEPTAHYDRATE,
        MAGNESIUM_CHLORIDE_HEXAHYDRATE,
        CALCIUM_SULFATE_DIHYDRATE,
        CALCIUM_HYDROXIDE,
        SODIUM_BICARBONATE,
        POTASSIUM_BICARBONATE,
        SODIUM_CARBONATE,
    )
}


def salt(formula: str, *, where: str = "salt") -> Salt:
    """Return the salt of a formula, as "CaCl2·2H2O"; "CaCl2" without crystal water is ambiguous and rejected."""
    known = SALTS.get(formula.strip().replace(".", "·").replace("*", "·"))
    if known is None:
        raise InputError(
            "no such salt, or its crystal water is not stated",
            where=where,
            found=formula,
            allowed=", ".join(SALTS),
            remedy="read the formula on the label",
        )
    return known


def dosed(water: Water, doses: Mapping[Salt, ArrayLike]) -> Water:
    """Return ``water`` with ``doses`` (mg/L of each salt as weighed) dissolved in it."""
    totals = {f.name: getattr(water, f.name) for f in fields(Water)}
    for each, mg_l in doses.items():
        moles: Vector = np.asarray(mg_l, dtype=np.float64) / (1e3 * each.molar_mass)
        for total, per_mol in each.adds:
            totals[total] = totals[total] + per_mol * moles
    return Water(**totals)
