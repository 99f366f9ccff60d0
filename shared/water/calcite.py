"""How much scale a water can lay down; always an upper bound, for it takes time and a surface to do so."""

from __future__ import annotations

from numpy.typing import ArrayLike

from shared.water.composition import Vector, Water


def ccpp(water: Water, t_c: ArrayLike) -> Vector:
    """Calcium carbonate precipitation potential at ``t_c``, closed, mg/L CaCO3.

    Positive precipitates, negative dissolves (Standard Methods 2330 C).
    """
    raise NotImplementedError


def scale_upper_bound(water: Water) -> Vector:
    """The most scale any heating can lay down, all CO2 lost: min(calcium hardness, alkalinity), mg/L CaCO3."""
    raise NotImplementedError


def scale_grams(precipitation: ArrayLike, litres: ArrayLike) -> Vector:
    """At most so many grams of calcite from ``litres`` of water of a potential in mg/L; none if negative."""
    raise NotImplementedError


def scale_millimetres(grams: ArrayLike, area_m2: ArrayLike, porosity: float = 0.2) -> Vector:
    """Thickness of ``grams`` of calcite spread evenly over a heated area, mm."""
    raise NotImplementedError
