"""Limits of detection from a straight line through standards near zero.

ISO 11843-2:2000, 5.3 (constant standard deviation).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.distributions import t_noncentrality, t_quantile
from calibration.statistics.least_squares import fit, straight

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DetectionLimits:
    """In units of x. ``critical``: a blank is said to contain something with probability alpha.

    ``detectable``: what is really there and missed with probability beta. ``sd``: standard deviation of one
    reading.
    """

    critical: float
    detectable: float
    sd: float


def detection_limits(x: Array, y: Array, *, readings: int = 1, alpha: float = 0.05,
                     beta: float = 0.05) -> DetectionLimits | None:
    """Limits for the mean of ``readings`` of one sample, from standards ``x`` and their responses ``y`` (n,).

    None where the response does not grow with x beyond its own scatter.
    """
    line = fit(straight(x), y)
    slope, u_slope = abs(float(line.coefficients[1])), float(line.u[1])
    t = t_quantile(1.0 - alpha, line.dof)
    if slope <= t * u_slope:
        return None
    sxx = float(((x - x.mean()) ** 2).sum())
    u = line.s / slope * sqrt(1.0 / readings + 1.0 / len(x) + float(x.mean()) ** 2 / sxx)
    return DetectionLimits(t * u, t_noncentrality(line.dof, alpha=alpha, beta=beta) * u, line.s / slope)
