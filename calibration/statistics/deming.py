"""A straight line through points with errors in both: Deming regression, each point with errors of its own.

The least-squares line of York, Evensen, Martinez and De Basabe Delgado, Am. J. Phys. 72:367, 2004, errors of x and y
uncorrelated; where they are the same for all points it is Deming's. Confidence intervals by the jackknife, which
needs no more than the ratio of the errors to be right (Linnet, Stat. Med. 9:1463, 1990).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.distributions import t_quantile
from calibration.statistics.least_squares import fit, straight

Array = NDArray[np.float64]
Interval = tuple[float, float]

#: Smallest number of points: two always lie on a line.
LEAST_POINTS = 3
_ROUNDS, _DONE = 500, 1e-13


@dataclass(frozen=True, slots=True)
class Points:
    """Values (n,) of two ways to measure, with the standard uncertainty of each."""

    x: Array
    y: Array
    u_x: Array
    u_y: Array

    def without(self, i: int) -> Points:
        """All but one."""
        return Points(*(np.delete(v, i) for v in (self.x, self.y, self.u_x, self.u_y)))


@dataclass(frozen=True, slots=True)
class Line:
    """Intercept and slope with their standard uncertainties from the stated errors; ``s``: of unit weight.

    Where ``s`` is far above 1 the points scatter by more than their errors explain.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    s: float


@dataclass(frozen=True, slots=True)
class Jackknifed:
    """95 % confidence intervals of intercept and slope."""

    intercept: Interval
    slope: Interval


def deming(points: Points) -> Line:
    """The line. Raises ValueError with fewer than three different x, or where it does not settle."""
    if len(np.unique(points.x)) < LEAST_POINTS:
        raise ValueError("a line needs three points or more at different x")
    slope = float(fit(straight(points.x), points.y).coefficients[1])
    for _ in range(_ROUNDS):
        before, slope = slope, _next_slope(points, slope)
        if abs(slope - before) <= _DONE * max(1.0, abs(slope)):
            return _line(points, slope)
    raise ValueError("the fit of the line did not converge")


def jackknife(points: Points) -> Jackknifed:
    """Intervals from the lines through all points but one, each of which `deming` must be able to draw."""
    n, whole = len(points.x), deming(points)
    left = [deming(points.without(i)) for i in range(n)]
    t = t_quantile(0.975, n - 2)

    def interval(all_: float, others: list[float]) -> Interval:
        pseudo = n * all_ - (n - 1) * np.array(others)
        mean, u = float(pseudo.mean()), float(pseudo.std(ddof=1)) / sqrt(n)
        return mean - t * u, mean + t * u

    return Jackknifed(intercept=interval(whole.intercept, [one.intercept for one in left]),
                      slope=interval(whole.slope, [one.slope for one in left]))


def _weights(points: Points, slope: float) -> Array:
    return np.asarray(1.0 / (points.u_y**2 + slope**2 * points.u_x**2))


def _next_slope(points: Points, slope: float) -> float:
    w = _weights(points, slope)
    x, y = points.x - w @ points.x / w.sum(), points.y - w @ points.y / w.sum()
    beta = w * (points.u_y**2 * x + slope * points.u_x**2 * y)
    return float((w * beta) @ y / ((w * beta) @ x))


def _line(points: Points, slope: float) -> Line:
    w = _weights(points, slope)
    x_mean, y_mean = float(w @ points.x / w.sum()), float(w @ points.y / w.sum())
    intercept = y_mean - slope * x_mean
    # Uncertainties at the adjusted points, where York et al. take them.
    x, y = points.x - x_mean, points.y - y_mean
    adjusted = x_mean + w * (points.u_y**2 * x + slope * points.u_x**2 * y)
    middle = float(w @ adjusted / w.sum())
    u_slope = float((w @ (adjusted - middle) ** 2) ** -0.5)
    rss = float(w @ (points.y - intercept - slope * points.x) ** 2)
    return Line(intercept=intercept, slope=slope, u_intercept=sqrt(1 / w.sum() + (middle * u_slope) ** 2),
                u_slope=u_slope, s=sqrt(rss / (len(x) - 2)))
