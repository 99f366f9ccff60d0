"""Agreement of two ways to measure, of two people who decide, and a line through points with errors in both.

Limits of agreement: Bland and Altman, Lancet 327:307, 1986. Cohen's kappa: Educational and Psychological Measurement
20:37-46, 1960; standard error by Fleiss, Cohen and Everitt, Psychological Bulletin 72:323-327, 1969, for large samples.

The line is the least-squares line of York, Evensen, Martinez and De Basabe Delgado, Am. J. Phys. 72:367, 2004, errors
of x and y uncorrelated; where they are the same for all points it is Deming's. Confidence intervals by the jackknife,
which needs no more than the ratio of the errors to be right (Linnet, Stat. Med. 9:1463, 1990).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.statistics.distributions import t_quantile
from calibration.statistics.least_squares import fit, straight
from shared.estimate import Z95

Array = NDArray[np.float64]
Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """Mean and standard deviation of ``n`` differences and the limits between which 95 % of them lie.

    Each with its 95 % confidence interval; that of the limits by their large-sample variance, 3 s^2 / n.
    """

    n: int
    bias: float
    s: float
    limits: Interval
    bias_interval: Interval
    lower_interval: Interval
    upper_interval: Interval


def limits_of_agreement(differences: Array, *, reach: float = Z95) -> LimitsOfAgreement:
    """The limits of ``differences`` (n,), ``reach`` standard deviations either side. ValueError with fewer than 3."""
    n = len(differences)
    if n < 3:
        raise ValueError(f"{n} differences are too few for limits of agreement")
    bias, s = float(differences.mean()), float(differences.std(ddof=1))
    t = t_quantile(0.975, n - 1)
    low, high = bias - reach * s, bias + reach * s

    def about(value: float, u: float) -> Interval:
        return value - t * u, value + t * u

    return LimitsOfAgreement(
        n=n, bias=bias, s=s, limits=(low, high), bias_interval=about(bias, s / sqrt(n)),
        lower_interval=about(low, s * sqrt(3 / n)), upper_interval=about(high, s * sqrt(3 / n)))


class Kappa(msgspec.Struct, frozen=True, kw_only=True):
    """Agreement of two persons on ``n`` decisions: the share ``observed`` and that ``expected`` by chance.

    ``value``: 1 where they always agree, 0 where no more than by chance, with its 95 % interval; None where both gave
    the same answer each time, so that chance alone explains it all.
    """

    n: int
    observed: float
    expected: float
    value: float | None = None
    se: float | None = None

    @property
    def interval(self) -> tuple[float, float] | None:
        """95 % interval within the possible range of kappa."""
        if self.value is None or self.se is None:
            return None
        return max(-1.0, self.value - Z95 * self.se), min(1.0, self.value + Z95 * self.se)


def cohens_kappa(counts: NDArray[np.int64]) -> Kappa:
    """Kappa of a table (k, k): how often the first decided i and the second j. Raises ValueError for an empty one."""
    n = int(counts.sum())
    if n == 0:
        raise ValueError("agreement needs at least one decision")
    p = counts / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, expected = float(np.trace(p)), float(rows @ columns)
    if expected == 1.0:
        return Kappa(n=n, observed=observed, expected=expected)
    value = (observed - expected) / (1.0 - expected)
    on = float(np.diag(p) @ (1.0 - (rows + columns) * (1.0 - value)) ** 2)
    # What the first says in the second's column: rows and columns change places.
    weight = (columns[:, None] + rows[None, :]) ** 2
    np.fill_diagonal(weight, 0.0)
    off = (1.0 - value) ** 2 * float((p * weight).sum())
    spread = on + off - (value - expected * (1.0 - value)) ** 2
    return Kappa(n=n, observed=observed, expected=expected, value=value,
                 se=sqrt(max(0.0, spread) / n) / (1.0 - expected))


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
class JackknifeIntervals:
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


def jackknife(points: Points) -> JackknifeIntervals:
    """Intervals from the lines through all points but one, each of which `deming` must be able to draw."""
    n, whole = len(points.x), deming(points)
    left = [deming(points.without(i)) for i in range(n)]
    t = t_quantile(0.975, n - 2)

    def interval(all_: float, others: list[float]) -> Interval:
        pseudo = n * all_ - (n - 1) * np.array(others)
        mean, u = float(pseudo.mean()), float(pseudo.std(ddof=1)) / sqrt(n)
        return mean - t * u, mean + t * u

    return JackknifeIntervals(intercept=interval(whole.intercept, [one.intercept for one in left]),
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
