"""Figures of merit of a chart's curve."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.curve import Curve
from calibration.reflectance import XYZ_FRAME, augmented
from shared.colour import xyz_to_lab_jacobian

Array = NDArray[np.float64]

#: Half width of the step over which slopes are taken, as a share of the curve's scale.
_STEP = 0.01


def lab_slope(curve: Curve, value: float) -> Array:
    """Change (3,) of CIELAB for a unit of the analyte at a value."""
    x = float(curve.scale.position(value))
    ends = curve.scale.value(np.array([max(0.0, x - _STEP), min(1.0, x + _STEP)]))
    low, high = curve.lab(ends)
    return np.asarray((high - low) / (ends[1] - ends[0]))


def strip_scatter(curve: Curve, value: float) -> float:
    """Standard deviation of single strips at a value, in the analyte's unit: their scatter of dye load."""
    x = float(curve.scale.position(value))
    weights = curve.weights_at(np.array([x]))[0]
    nearest = int(np.argmin(np.abs(curve.grid - x)))
    jacobian = xyz_to_lab_jacobian(augmented(weights) @ XYZ_FRAME.T) @ XYZ_FRAME[:, 1:]
    move = jacobian @ curve.grid_load[nearest] * curve.load_sd
    slope = lab_slope(curve, value)
    return float(abs(move @ slope) / (slope @ slope))
