"""Reverse osmosis: permeate and reject, and contact with calcite."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from shared.water.acid_base import over_calcite
from shared.water.composition import Vector, Water
from shared.water.equilibrium import equilibrate, speciate


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


def tap_fraction(target: ArrayLike, *, tap: ArrayLike, pure: ArrayLike) -> Vector:
    """Return the share of tap water in a blend with permeate (or treated water, ``pure``) that gives ``target``.

    Outside 0 to 1, blending cannot give the target. All three in one unit of hardness or alkalinity.
    """
    target, tap, pure = (np.asarray(v, dtype=np.float64) for v in (target, tap, pure))
    return (target - pure) / (tap - pure)


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
