"""Treated water: ion exchange and its capacity, reverse osmosis (permeate and reject), contact with calcite."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from shared.water import molar
from shared.water.acid_base import over_calcite
from shared.water.composition import Vector, Water
from shared.water.equilibrium import equilibrate, speciate

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


def permeate(water: Water, rejection: ArrayLike, *, t_c: float) -> Water:
    """Return every ion times ``1 - rejection``; dissolved CO2 passes completely, so the permeate is acid."""
    passed = 1 - np.asarray(rejection, dtype=np.float64)
    co2 = _co2(water, t_c)
    return water.scaled(passed).with_(carbon=co2 + passed * (water.carbon - co2))


@lru_cache(maxsize=4)
def _co2(water: Water, t_c: float) -> Vector:
    """Dissolved CO2, mol/L; cached, because the same water passes several membranes."""
    return speciate(water, t_c).co2


def concentrate_factor(recovery: ArrayLike) -> Vector:
    """Return the largest ratio of ions in reject and feed, at ``recovery`` (0 to below 1)."""
    return 1 / (1 - np.asarray(recovery, dtype=np.float64))


def calcite_contact(water: Water, t_c: ArrayLike) -> Water:
    """Return ``water`` in equilibrium with a calcite bed at ``t_c``: dissolved CO2 dissolves calcium carbonate.

    A bed reaches equilibrium at most; a saturated water passes unchanged.
    """
    e = equilibrate(water, t_c, closure=over_calcite)
    dissolves = e.ca > water.ca
    return water.with_(
        ca=np.where(dissolves, e.ca, water.ca),
        alkalinity=np.where(dissolves, e.alkalinity, water.alkalinity),
        carbon=np.where(dissolves, e.carbon, water.carbon),
    )
