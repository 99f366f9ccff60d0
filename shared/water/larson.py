"""The Larson-Skold index."""

from __future__ import annotations

import numpy as np

from shared.water.composition import Vector, Water


def larson_skold(water: Water) -> Vector:
    """(Cl + SO4) / (HCO3 + CO3) in meq/L; infinite without alkalinity, a lower bound without sulfate.

    Larson & Skold 1958, Corrosion 14:285, for mild steel in Great Lakes water; not for very low alkalinity,
    and no evidence about stainless steel, copper or brass. HCO3 + CO3 is taken from the alkalinity.
    """
    aggressive = water.cl + 2 * water.so4
    protects = water.alkalinity > 0
    return np.where(protects, aggressive / np.where(protects, water.alkalinity, 1.0), np.inf)
