"""When a filter is spent: the curve by which it lets through more and more, fitted to what was read behind it.

From the level of the new filter to that of the mains what passes follows a curve in time, use per day being steady.
The logistic curve is that of Yoon and Nelson, Am. Ind. Hyg. Assoc. J. 45:509, 1984; before a curve has run its
course nobody knows its shape, so others are tried beside it, each as far as the readings make it likely. Half-time
and steepness are looked at on a grid, with priors even in their logarithms; the two levels are integrated out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import log
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.correlated import Measured, whitener

Array = NDArray[np.float64]

#: Days until half passes that are thought of at all, and the steepness of the curve: about the inverse of the share
#: of a filter's life that the rise takes. Common practice, no source.
HALF_DAYS: Final = (7.0, 1500.0)
STEEPNESS: Final = (3.0, 40.0)
#: Half-times and steepnesses of a grid; weight, beside that of the likeliest, below which a curve is left out.
_GRID: Final = (40, 8)
#: Where along each axis the points of a grid lie, from 0 to 1.
_WAYS: Final = tuple(way.ravel() for way in np.meshgrid(*(np.linspace(0.0, 1.0, n) for n in _GRID), indexing="ij"))
_NEGLIGIBLE: Final = 1e-5
#: Between the points of the coarse grid a curve may fit far better than at them: power of what is negligible there.
_COARSE_DOUBT: Final = 4.0
#: A grid is fine enough where so many of each axis share the weight; more rounds than so many are not tried.
_ENOUGH, _ROUNDS = 2.0, 5
_LN2, _GOMPERTZ, _RAMP = log(2.0), 0.5 / log(2.0), 0.25


class CurveShape(NamedTuple):
    """``passes``: share that passes at a place along the curve, one half at 0 and a quarter steep there.

    ``place``: where a share is reached.
    """

    passes: Callable[[Array], Array]
    place: Callable[[float], float]


#: Symmetric and smooth; straight; early and then long; late and then sudden.
SHAPES: Final = (
    CurveShape(lambda x: 1.0 / (1.0 + np.exp(-x)), lambda s: log(s / (1.0 - s))),
    CurveShape(lambda x: np.clip(0.5 + _RAMP * x, 0.0, 1.0), lambda s: (s - 0.5) / _RAMP),
    CurveShape(lambda x: np.exp(-_LN2 * np.exp(-_GOMPERTZ * x)), lambda s: -log(-log(s) / _LN2) / _GOMPERTZ),
    CurveShape(lambda x: 1.0 - np.exp(-_LN2 * np.exp(_GOMPERTZ * x)), lambda s: log(-log(1.0 - s) / _LN2) / _GOMPERTZ),
)


@dataclass(frozen=True, slots=True)
class EffluentSeries:
    """Values (n,) behind a filter ``days`` (n,) after it was renewed.

    ``mains``: level before the filter with its standard uncertainty. ``course`` (n,): true values at which the
    readings' errors are evaluated; at first a rising course through the readings.
    """

    days: Array
    measured: Measured
    mains: tuple[float, float]
    course: Array | None = None

    @property
    def precision(self) -> Array:
        """Inverse of the readings' covariance (n, n)."""
        course = _rising(self.measured.value) if self.course is None else self.course
        white = whitener(self.measured.covariance(course))
        return np.asarray(white.T @ white)


@dataclass(frozen=True, slots=True)
class BreakthroughCurves:
    """Curves (g,) of one shape: days until half passes, and steepness."""

    shape: CurveShape
    half: Array
    steep: Array

    def passed(self, days: Array) -> Array:
        """Share (g, n) that passes on ``days`` (n,)."""
        # steep * (days / half - 1), as a product of matrices: that is quicker.
        place = np.stack([self.steep / self.half, -self.steep], axis=1) @ np.stack([days, np.ones(len(days))])
        return self.shape.passes(place.clip(-60.0, 60.0))

    def reached(self, share: float) -> Array:
        """Days (g,) until so much passes."""
        return np.asarray(self.half * (1.0 + self.shape.place(share) / self.steep))


@dataclass(frozen=True, slots=True)
class NormalEquations:
    """Normal equations of two levels, of the new filter and of the rise to the mains, for g curves at once.

    ``aa``, ``ya`` of the first level, ``bb``, ``yb`` (g,) of the second, ``ab`` (g,) of both.
    """

    aa: float
    ab: Array
    bb: Array
    ya: float
    yb: Array

    @property
    def determinant(self) -> Array:
        """Of each pair of equations (g,)."""
        return self.aa * self.bb - self.ab**2

    @property
    def levels(self) -> Array:
        """The two levels (g, 2)."""
        over = self.determinant
        return np.stack([(self.bb * self.ya - self.ab * self.yb) / over,
                         (self.aa * self.yb - self.ab * self.ya) / over], axis=1)

    @property
    def spread(self) -> Array:
        """The levels' covariance (g, 2, 2)."""
        rows = [self.bb, -self.ab, -self.ab, np.full_like(self.ab, self.aa)]
        return np.stack(rows, axis=1).reshape(-1, 2, 2) / self.determinant[:, None, None]

    @property
    def log_weight(self) -> Array:
        """Logarithm of each curve's likelihood (g,), its levels integrated out; a rise that falls has no weight."""
        levels, determinant = self.levels, self.determinant
        found = (levels[:, 0] * self.ya + levels[:, 1] * self.yb - np.log(determinant)) / 2
        return np.where(levels[:, 1] > 0, found, -np.inf)

    def of(self, curves: slice) -> NormalEquations:
        """Those of some of the curves."""
        return NormalEquations(self.aa, self.ab[curves], self.bb[curves], self.ya, self.yb[curves])


@dataclass(frozen=True, slots=True)
class PosteriorWeights:
    """``curves`` with their ``weight`` (g,) and the ``normal`` equations of their levels."""

    curves: BreakthroughCurves
    weight: Array
    normal: NormalEquations

    def expected(self, days: Array) -> Array:
        """Sum (m,) over the curves of weight times the water's value on ``days`` (m,)."""
        levels = self.weight[:, None] * self.normal.levels
        return np.asarray(levels[:, 0].sum() + levels[:, 1] @ self.curves.passed(days))

    def values(self, days: Array, n: int, rng: np.random.Generator) -> Array:
        """``n`` draws of the water's values on ``days`` (m,)."""
        drawn = rng.choice(len(self.weight), n, p=self.weight / self.weight.sum())
        roots = np.linalg.cholesky(self.normal.spread[drawn] + 1e-9 * np.eye(2))
        levels = self.normal.levels[drawn] + (roots @ rng.standard_normal((n, 2, 1)))[:, :, 0]
        curves = BreakthroughCurves(self.curves.shape, self.curves.half[drawn], self.curves.steep[drawn])
        return np.asarray(levels[:, :1] + levels[:, 1:] * curves.passed(days))


@dataclass(frozen=True, slots=True)
class Breakthrough:
    """All that is likely, a member a shape; the weights of all together sum to 1."""

    members: tuple[PosteriorWeights, ...]

    def spent(self, share: float, probability: float) -> float:
        """Days after renewal by which ``share`` of what it held back passes, with that probability."""
        days = np.concatenate([m.curves.reached(share) for m in self.members])
        weight = np.concatenate([m.weight for m in self.members])
        order = np.argsort(days)
        # Halfway through each step, so that few curves do not shift the quantiles.
        return float(np.interp(probability, np.cumsum(weight[order]) - weight[order] / 2, days[order]))

    def band(self, days: Array, u: float, n: int = 2000) -> tuple[Array, Array, Array]:
        """Median and 95 % prediction interval (m,) of values of standard uncertainty ``u`` on ``days`` (m,)."""
        rng = np.random.default_rng(1984)
        counts = [round(n * float(m.weight.sum())) for m in self.members]
        drawn = np.concatenate([m.values(days, k, rng) for m, k in zip(self.members, counts, strict=True) if k])
        low, middle, high = np.quantile(drawn + u * rng.standard_normal(drawn.shape), [0.025, 0.5, 0.975], axis=0)
        return middle, low, high


def breakthrough(behind: EffluentSeries) -> Breakthrough:
    """The curves that are likely: on a coarse grid, then on finer ones where those that are likely at all lie.

    On the coarse grid no shape is given up: its best curve may lie between the points.
    """
    members = _weighed(behind, _coarse(), apart=True)
    behind = replace(behind, course=np.sum([m.expected(behind.days) for m in members], axis=0))
    members = _weighed(behind, [_finer(m, float(m.weight.max()) * _NEGLIGIBLE**_COARSE_DOUBT) for m in members])
    for _ in range(_ROUNDS):
        if _fine_enough(max(members, key=lambda m: float(m.weight.sum()))):
            break
        least = _NEGLIGIBLE * max(float(m.weight.max()) for m in members)
        members = _weighed(behind, [_finer(m, least) for m in members if m.weight.max() > least])
    return Breakthrough(members)


def _rising(value: Array) -> Array:
    """A rising course (n,) through values: between the largest so far and the smallest still to come."""
    return np.asarray(np.maximum.accumulate(value) + np.minimum.accumulate(value[::-1])[::-1]) / 2.0


@cache
def _coarse() -> tuple[BreakthroughCurves, ...]:
    return tuple(_grid(shape, HALF_DAYS, STEEPNESS) for shape in SHAPES)


def _grid(shape: CurveShape, halves: tuple[float, float], steeps: tuple[float, float]) -> BreakthroughCurves:
    half, steep = (low * np.exp(log(high / low) * way)
                   for (low, high), way in zip((halves, steeps), _WAYS, strict=True))
    return BreakthroughCurves(shape, half, steep)


def _fine_enough(member: PosteriorWeights) -> bool:
    """Whether several half-times, and several steepnesses, share the weight."""
    weight = (member.weight / member.weight.sum()).reshape(_GRID)
    return all(float((weight.sum(axis=axis) ** 2).sum()) < 1.0 / _ENOUGH for axis in (0, 1))


def _finer(member: PosteriorWeights, least: float) -> BreakthroughCurves:
    likely, curves = member.weight > least, member.curves
    return _grid(curves.shape, *(
        (max(low, around[0]), min(high, around[1])) for (low, high), around in (
            (HALF_DAYS, _around(curves.half, likely, _GRID[0])), (STEEPNESS, _around(curves.steep, likely, _GRID[1])))))


def _around(axis: Array, likely: NDArray[np.bool_], n: int) -> tuple[float, float]:
    """From the smallest to the largest that is likely and two of the ``n`` steps more, where the best may lie."""
    step = float(axis[-1] / axis[0]) ** (2 / (n - 1))
    return float(axis[likely].min()) / step, float(axis[likely].max()) * step


def _weighed(
    behind: EffluentSeries, grids: Sequence[BreakthroughCurves], *, apart: bool = False
) -> tuple[PosteriorWeights, ...]:
    """Each grid with the share of all weight that its part of the prior and the readings give it.

    ``apart``: each grid's weights beside its own largest only.
    """
    normal = _fitted(behind, np.concatenate([curves.passed(behind.days) for curves in grids]))
    # A row a grid.
    log_weight = normal.log_weight.reshape(len(grids), -1)
    weight = np.exp(log_weight - log_weight.max(axis=1 if apart else None, keepdims=True))
    weight *= np.array([_area(curves) for curves in grids])[:, None]
    weight /= weight.sum()
    n = weight.shape[1]
    return tuple(
        PosteriorWeights(curves, weight[i], normal.of(slice(i * n, (i + 1) * n))) for i, curves in enumerate(grids)
    )


def _area(curves: BreakthroughCurves) -> float:
    """The part of the prior that a point of the grid stands for."""
    return log(curves.half[-1] / curves.half[0]) * log(curves.steep[-1] / curves.steep[0])


def _fitted(behind: EffluentSeries, passed: Array) -> NormalEquations:
    """For shares (g, n) that pass: the fit of both levels to the values, and to the mains as one value more."""
    precision = behind.precision
    mains, u_mains = behind.mains
    known = u_mains**-2.0
    of_level, of_values = precision.sum(axis=1), precision @ behind.measured.value
    return NormalEquations(
        aa=float(of_level.sum()) + known, ya=float(of_values.sum()) + mains * known, ab=passed @ of_level + known,
        yb=passed @ of_values + mains * known, bb=np.einsum("gn,gn->g", passed @ precision, passed) + known)
