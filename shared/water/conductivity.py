"""Electrical conductivity from the ions."""

from __future__ import annotations

from shared.water.composition import Vector, Water


def conductivity(water: Water) -> Vector:
    """Estimated conductivity at 25 °C, µS/cm."""
    raise NotImplementedError
