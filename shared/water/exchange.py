"""Ion exchange: which ions a resin exchanges, and its capacity."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from shared.water import molar
from shared.water.composition import Vector, Water

#: mg/L CaCO3 of one German degree, 10 mg/L CaO.
_MG_CACO3_PER_DEGREE: Final = 17.84796


def decarbonated(water: Water, removed: ArrayLike) -> Water:
    """Return ``water`` with ``removed`` eq/L of calcium and magnesium exchanged for hydrogen ions.

    Weak-acid resin: both metals in the proportion of the feed; the hydrogen ions convert alkalinity to CO2, so the
    carbon stays.
    """
    share = _share(removed, 2 * (water.ca + water.mg))
    return water.with_(
        ca=water.ca * (1 - share),
        mg=water.mg * (1 - share),
        alkalinity=water.alkalinity - np.asarray(removed),
    )


def decarbonation_limit(water: Water) -> Vector:
    """Return the most that a weak-acid resin can remove, eq/L: the smaller of hardness and alkalinity."""
    return np.maximum(np.minimum(2 * (water.ca + water.mg), water.alkalinity), 0.0)


def softened(water: Water, removed: ArrayLike) -> Water:
    """Return ``water`` with ``removed`` eq/L of calcium and magnesium exchanged for sodium."""
    share = _share(removed, 2 * (water.ca + water.mg))
    return water.with_(ca=water.ca * (1 - share), mg=water.mg * (1 - share), na=water.na + np.asarray(removed))


def magnesium_for_calcium(water: Water, removed: ArrayLike) -> Water:
    """Return ``water`` with ``removed`` eq/L of calcium exchanged for magnesium; hardness is constant."""
    share = _share(removed, 2 * water.ca)
    return water.with_(ca=water.ca * (1 - share), mg=water.mg + np.asarray(removed) / 2)


def litres_to_exhaustion(capacity_eq: float, load: ArrayLike) -> Vector:
    """Return litres until ``capacity_eq`` is exhausted at ``load`` eq per litre; infinite without a load."""
    load = np.asarray(load, dtype=np.float64)
    return np.where(load > 0, capacity_eq / np.where(load > 0, load, 1.0), np.inf)


def capacity_from_rating(litres: float, degrees: float) -> float:
    """Return the equivalents of a rating in ``litres`` at ``degrees`` (German) of carbonate hardness."""
    return litres * degrees * _MG_CACO3_PER_DEGREE / molar.MG_CACO3_PER_EQ


def _share(removed: ArrayLike, available: Vector) -> Vector:
    present = available > 0
    return np.asarray(removed) / np.where(present, available, 1.0) * present
