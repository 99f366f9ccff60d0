"""Breakthrough curves of a filter, fitted to readings of its treated water.

At constant daily use the treated water rises along a curve in time, from the level of the new filter to that of the
mains. The logistic curve is that of Yoon and Nelson, Am. Ind. Hyg. Assoc. J. 45:509, 1984. The shape is unknown until
the curve is complete, so other shapes are fitted too and weighted by their likelihood. Half-time and steepness are
evaluated on a grid with log-uniform priors; the two levels are integrated out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from math import log
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.least_squares import MeasuredValues, whitener

Array = NDArray[np.float64]

#: Prior ranges of the days until half passes, and of the steepness: about the inverse of the fraction of a filter's
#: life that the rise takes. Common practice, no source.
HALF_DAYS: Final = (7.0, 1500.0)
STEEPNESS: Final = (3.0, 40.0)
#: Numbers of half-times and steepnesses of a grid.
_GRID: Final = (40, 8)
#: Positions of the grid points along each axis, from 0 to 1.
_POSITIONS: Final = tuple(
    position.ravel() for position in np.meshgrid(*(np.linspace(0.0, 1.0, n) for n in _GRID), indexing="ij")
)
#: Weight, relative to the largest, below which a curve is omitted.
_NEGLIGIBLE: Final = 1e-5
#: Exponent of the negligible weight on the coarse grid, where a curve between the points may fit far better.
_COARSE_EXPONENT: Final = 4.0
#: Determinant, relative to the product of the diagonal, below which the two levels cannot be separated: a curve that
#: is complete before the first reading.
_LEAST_DETERMINANT: Final = 1e-12
#: Effective number of values on each axis at which a grid is fine enough; maximum number of refinements.
_ENOUGH, _ROUNDS = 2.0, 5
_LN2, _GOMPERTZ, _RAMP = log(2.0), 0.5 / log(2.0), 0.25


class CurveShape(NamedTuple):
    """``passes``: fraction passed at a position along the curve, 1/2 at 0 with slope 1/4.

    ``place``: position at which a fraction passes.
    """

    passes: Callable[[Array], Array]
    place: Callable[[float], float]


#: Logistic; linear; early onset with a long tail; late onset with a sudden end.
SHAPES: Final = (
    CurveShape(lambda x: 1.0 / (1.0 + np.exp(-x)), lambda s: log(s / (1.0 - s))),
    CurveShape(lambda x: np.clip(0.5 + _RAMP * x, 0.0, 1.0), lambda s: (s - 0.5) / _RAMP),
    CurveShape(lambda x: np.exp(-_LN2 * np.exp(-_GOMPERTZ * x)), lambda s: -log(-log(s) / _LN2) / _GOMPERTZ),
    CurveShape(lambda x: 1.0 - np.exp(-_LN2 * np.exp(_GOMPERTZ * x)), lambda s: log(-log(1.0 - s) / _LN2) / _GOMPERTZ),
)


@dataclass(frozen=True)
class EffluentSeries:
    """Values (n,) of treated water, ``days`` (n,) after the renewal of the filter.

    ``mains``: level upstream of the filter with its standard uncertainty. ``course`` (n,): true values at which the
    readings' errors are evaluated; by default a rising course through the readings.
    """

    days: Array
    measured: MeasuredValues
    mains: tuple[float, float]
    course: Array | None = None

    @cached_property
    def precision(self) -> Array:
        """Inverse of the readings' covariance (n, n)."""
        course = _rising(self.measured.value) if self.course is None else self.course
        white = whitener(self.measured.covariance(course))
        return np.asarray(white.T @ white)


@dataclass(frozen=True, slots=True)
class BreakthroughCurves:
    """Curves (g,) of one shape, with days until half passes and steepness."""

    shape: CurveShape
    half: Array
    steep: Array

    def passed(self, days: Array) -> Array:
        """Return the fraction (g, n) that passes on ``days`` (n,)."""
        place = np.multiply.outer(self.steep / self.half, days)
        place -= self.steep[:, None]
        return self.shape.passes(np.minimum(np.maximum(place, -60.0, out=place), 60.0, out=place))

    def reached(self, share: float) -> Array:
        """Return the days (g,) until the fraction ``share`` passes."""
        return np.asarray(self.half * (1.0 + self.shape.place(share) / self.steep))


@dataclass(frozen=True, slots=True)
class NormalEquations:
    """Normal equations for two levels, that of the new filter and the rise to the mains, for g curves at once.

    ``aa``, ``ya``: terms of the first level; ``bb``, ``yb`` (g,): of the second; ``ab`` (g,): of both.
    """

    aa: float
    ab: Array
    bb: Array
    ya: float
    yb: Array

    @property
    def determinant(self) -> Array:
        """Determinants (g,); infinite, so that the curve has no weight, where the levels cannot be separated."""
        determinant = self.aa * self.bb - self.ab**2
        return np.where(determinant > _LEAST_DETERMINANT * self.aa * self.bb, determinant, np.inf)

    @property
    def levels(self) -> Array:
        """Estimates of the two levels (g, 2)."""
        over = self.determinant
        return np.stack([(self.bb * self.ya - self.ab * self.yb) / over,
                         (self.aa * self.yb - self.ab * self.ya) / over], axis=1)

    @property
    def spread(self) -> Array:
        """Covariance of the levels (g, 2, 2)."""
        rows = [self.bb, -self.ab, -self.ab, np.full_like(self.ab, self.aa)]
        return np.stack(rows, axis=1).reshape(-1, 2, 2) / self.determinant[:, None, None]

    @property
    def log_weight(self) -> Array:
        """Log-likelihood (g,) of each curve with its levels integrated out; a negative rise has no weight."""
        levels, determinant = self.levels, self.determinant
        log_weight = (levels[:, 0] * self.ya + levels[:, 1] * self.yb - np.log(determinant)) / 2
        return np.where(levels[:, 1] > 0, log_weight, -np.inf)

    def of(self, curves: slice) -> NormalEquations:
        """Return the equations of some of the curves."""
        return NormalEquations(self.aa, self.ab[curves], self.bb[curves], self.ya, self.yb[curves])


@dataclass(frozen=True, slots=True)
class PosteriorWeights:
    """Curves with their posterior ``weight`` (g,) and the ``normal`` equations of their levels."""

    curves: BreakthroughCurves
    weight: Array
    normal: NormalEquations

    def expected(self, days: Array) -> Array:
        """Return the sum (m,) over the curves of weight times the value on ``days`` (m,)."""
        levels = self.weight[:, None] * self.normal.levels
        return np.asarray(levels[:, 0].sum() + levels[:, 1] @ self.curves.passed(days))

    def values(self, days: Array, n: int, rng: np.random.Generator) -> Array:
        """Return ``n`` posterior draws (n, m) of the true values on ``days`` (m,)."""
        drawn = rng.choice(len(self.weight), n, p=self.weight / self.weight.sum())
        roots = np.linalg.cholesky(self.normal.spread[drawn] + 1e-9 * np.eye(2))
        levels = self.normal.levels[drawn] + (roots @ rng.standard_normal((n, 2, 1)))[:, :, 0]
        curves = BreakthroughCurves(self.curves.shape, self.curves.half[drawn], self.curves.steep[drawn])
        return np.asarray(levels[:, :1] + levels[:, 1:] * curves.passed(days))


@dataclass(frozen=True, slots=True)
class Breakthrough:
    """Posterior of the breakthrough curve, one member for each shape; all weights sum to 1."""

    members: tuple[PosteriorWeights, ...]

    def exhausted(self, share: float, probabilities: Sequence[float]) -> list[float]:
        """Return the days after renewal by which the fraction ``share`` passes, at the quantiles ``probabilities``."""
        days = np.concatenate([m.curves.reached(share) for m in self.members])
        weight = np.concatenate([m.weight for m in self.members])
        order = np.argsort(days)
        # Midpoints of the steps, so that quantiles from few curves are not biased.
        quantiles = np.interp(probabilities, np.cumsum(weight[order]) - weight[order] / 2, days[order])
        return [float(day) for day in quantiles]

    def band(self, days: Array, u: float, n: int = 2000) -> tuple[Array, Array, Array]:
        """Return median and 95 % prediction limits (m,) of values with standard uncertainty ``u`` on ``days`` (m,)."""
        rng = np.random.default_rng(1984)
        counts = [round(n * float(m.weight.sum())) for m in self.members]
        drawn = np.concatenate([m.values(days, k, rng) for m, k in zip(self.members, counts, strict=True) if k])
        low, middle, high = np.quantile(drawn + u * rng.standard_normal(drawn.shape), [0.025, 0.5, 0.975], axis=0)
        return middle, low, high


def breakthrough(effluent: EffluentSeries) -> Breakthrough:
    """Return the posterior, evaluated on a coarse grid and then on finer grids around the likely curves.

    No shape is omitted on the coarse grid, because its best curve may be between the grid points.
    """
    members = _weighted(effluent, _coarse(), apart=True)
    effluent = replace(effluent, course=np.sum([m.expected(effluent.days) for m in members], axis=0))
    members = _weighted(effluent, [_finer(m, float(m.weight.max()) * _NEGLIGIBLE**_COARSE_EXPONENT) for m in members])
    for _ in range(_ROUNDS):
        if _fine_enough(max(members, key=lambda m: float(m.weight.sum()))):
            break
        least = _NEGLIGIBLE * max(float(m.weight.max()) for m in members)
        members = _weighted(effluent, [_finer(m, least) for m in members if m.weight.max() > least])
    return Breakthrough(members)


def _rising(value: Array) -> Array:
    """Return a rising course (n,) through values: the mean of the running maximum and of the minimum still to come."""
    return np.asarray(np.maximum.accumulate(value) + np.minimum.accumulate(value[::-1])[::-1]) / 2.0


@cache
def _coarse() -> tuple[BreakthroughCurves, ...]:
    return tuple(_grid(shape, HALF_DAYS, STEEPNESS) for shape in SHAPES)


def _grid(shape: CurveShape, halves: tuple[float, float], steeps: tuple[float, float]) -> BreakthroughCurves:
    half, steep = (low * np.exp(log(high / low) * position)
                   for (low, high), position in zip((halves, steeps), _POSITIONS, strict=True))
    return BreakthroughCurves(shape, half, steep)


def _fine_enough(member: PosteriorWeights) -> bool:
    """Return whether several half-times and several steepnesses share the weight."""
    weight = (member.weight / member.weight.sum()).reshape(_GRID)
    return all(float((weight.sum(axis=axis) ** 2).sum()) < 1.0 / _ENOUGH for axis in (0, 1))


def _finer(member: PosteriorWeights, least: float) -> BreakthroughCurves:
    likely, curves = member.weight > least, member.curves
    return _grid(curves.shape, *(
        (max(low, around[0]), min(high, around[1])) for (low, high), around in (
            (HALF_DAYS, _around(curves.half, likely, _GRID[0])), (STEEPNESS, _around(curves.steep, likely, _GRID[1])))))


def _around(axis: Array, likely: NDArray[np.bool_], n: int) -> tuple[float, float]:
    """Return the range of the likely values, extended by two of the ``n`` steps, where the best may be."""
    step = float(axis[-1] / axis[0]) ** (2 / (n - 1))
    return float(axis[likely].min()) / step, float(axis[likely].max()) * step


def _weighted(
    effluent: EffluentSeries, grids: Sequence[BreakthroughCurves], *, apart: bool = False
) -> tuple[PosteriorWeights, ...]:
    """Return each grid with its posterior weights.

    ``apart``: scale each grid by its own largest likelihood, so that none underflows.
    """
    normal = _fitted(effluent, np.concatenate([curves.passed(effluent.days) for curves in grids]))
    # One row for each grid.
    log_weight = normal.log_weight.reshape(len(grids), -1)
    weight = np.exp(log_weight - log_weight.max(axis=1 if apart else None, keepdims=True))
    weight *= np.array([_area(curves) for curves in grids])[:, None]
    weight /= weight.sum()
    n = weight.shape[1]
    return tuple(
        PosteriorWeights(curves, weight[i], normal.of(slice(i * n, (i + 1) * n))) for i, curves in enumerate(grids)
    )


def _area(curves: BreakthroughCurves) -> float:
    """Return the prior weight of one grid point, up to a constant factor."""
    return log(curves.half[-1] / curves.half[0]) * log(curves.steep[-1] / curves.steep[0])


def _fitted(effluent: EffluentSeries, passed: Array) -> NormalEquations:
    """Return the normal equations for fractions (g, n), with the mains level as one more observation."""
    precision = effluent.precision
    mains, u_mains = effluent.mains
    known = u_mains**-2.0
    of_level, of_values = precision.sum(axis=1), precision @ effluent.measured.value
    return NormalEquations(
        aa=float(of_level.sum()) + known, ya=float(of_values.sum()) + mains * known, ab=passed @ of_level + known,
        yb=passed @ of_values + mains * known, bb=np.einsum("gn,gn->g", passed @ precision, passed) + known)
