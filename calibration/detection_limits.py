"""Limits of detection from standards near zero, straightened along the curve of the chart.

ISO 11843-2:2000, 5.3 (constant standard deviation), requires a straight line. Lengths along the curve in CIELAB give
one: each standard near zero is set at its known length plus what its signals say it lies off, by the curve's tangent at
the known value, so that a blank may come out below zero. The limits found there are taken back to values through the
curve. The levels used are part of the answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from calibration.curve import STEP, Curve, NearZero, way
from calibration.observation import StandardObservation
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


#: Levels nearest to zero, it included, from which the limits are taken.
LEVELS_USED = 4
#: ICH Q2(R2): quantified where the standard deviation is this share of the value.
QUANTIFIED_AT = 0.1


def near_zero(curve: Curve, standards: Sequence[StandardObservation]) -> NearZero | None:
    """Limits of a curve and its standards; None for pH, without a blank, or where colour does not change."""
    levels = sorted({s.value for s in standards})[:LEVELS_USED]
    if curve.analyte == "ph" or curve.scale.low > 0 or levels[0] > 0 or len(levels) < LEVELS_USED:
        return None
    used = [s for s in standards if s.value <= levels[-1]]
    known = way(curve, np.array([s.value for s in used]))
    limits = detection_limits(known, known + np.array([_off(curve, s) for s in used]))
    if limits is None:
        return None
    values = curve.scale.value(curve.grid)
    lengths = way(curve, values)
    critical, detectable = np.interp([limits.critical, limits.detectable], lengths, values).tolist()
    return NearZero(critical=critical, detectable=detectable, sd=limits.sd, up_to=levels[-1],
                    quantifiable=_quantifiable(values, lengths, sd=limits.sd))


def _off(curve: Curve, standard: StandardObservation) -> float:
    """Distance along the curve (CIELAB units) between a standard's signals and its known value."""
    response, pad = standard.pad.response, standard.pad
    x = float(curve.scale.position(standard.value))
    ends = np.array([max(0.0, x - STEP), min(1.0, x + STEP)])
    low, here, high = response.signal(curve.weights_at(np.array([ends[0], x, ends[1]])))
    slope = (high - low) / float(np.diff(way(curve, curve.scale.value(ends)))[0])
    noise = pad.pixel + pad.field + np.diag(response.variance(response.correction, curve.weights_at(np.array([x]))[0]))
    weight = np.linalg.solve(noise, slope)
    return float(weight @ (pad.signal - here) / (weight @ slope))


def _quantifiable(values: Array, lengths: Array, *, sd: float) -> float | None:
    """The lowest value at which ``sd`` along the curve is the stated share of the value."""
    good = np.flatnonzero(values * np.gradient(lengths, values) * QUANTIFIED_AT >= sd)
    return float(values[good[0]]) if len(good) else None
