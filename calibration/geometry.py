"""The curve as a way through CIELAB: how far along it a value lies, and how fast its colour changes there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.curve import Curve

Array = NDArray[np.float64]

#: Half width of the step over which slopes are taken, as a share of the curve's scale.
STEP = 0.01


def lab_slope(curve: Curve, value: float) -> Array:
    """Change (3,) of CIELAB for a unit of the analyte at a value."""
    x = float(curve.scale.position(value))
    ends = curve.scale.value(np.array([max(0.0, x - STEP), min(1.0, x + STEP)]))
    low, high = curve.lab(ends)
    return np.asarray((high - low) / (ends[1] - ends[0]))


def way(curve: Curve, values: Array) -> Array:
    """Length of the curve in CIELAB from its low end to each of ``values``, same shape."""
    grid = curve.scale.value(curve.grid)
    steps = np.linalg.norm(np.diff(curve.lab(grid), axis=0), axis=1)
    return np.asarray(np.interp(values, grid, np.concatenate([[0.0], np.cumsum(steps)])))
