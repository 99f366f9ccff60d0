"""The Larson-Skold index."""

from __future__ import annotations

from shared.water.composition import Vector, Water


def larson_skold(water: Water) -> Vector:
    """(Cl + SO4) / (HCO3 + CO3) in meq/L: a lower bound where sulfate was not measured.

    Larson & Skold 1958, Corrosion 14:285, for mild steel in Great Lakes water; says nothing about
    stainless steel, copper or brass. Below 0.8 unlikely to harm, above 1.2 high local corrosion.
    """
    raise NotImplementedError
