"""When a filter is spent: the curve by which it lets through more and more, fitted to what was read behind it.

From the level of the new filter to that of the mains what passes follows a curve in time, use per day being steady.
The logistic curve is that of Yoon and Nelson, Am. Ind. Hyg. Assoc. J. 45:509, 1984; before a curve has run its
course nobody knows its shape, so others are tried beside it, each as far as the readings make it likely. Half-time
and steepness are looked at on a grid, with priors even in their logarithms; the two levels are integrated out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import log
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.correlated import whitener

Array = NDArray[np.float64]

#: Days until half passes that are thought of at all, and the steepness of the curve: about the inverse of the share
#: of a filter's life that the rise takes. Common practice, no source.
HALF_DAYS: Final = (7.0, 1500.0)
STEEPNESS: Final = (3.0, 40.0)
#: Half-times and steepnesses of a grid; weight, beside that of the likeliest, below which a curve is left out.
_GRID: Final = (80, 16)
_NEGLIGIBLE: Final = 1e-5
_LN2, _GOMPERTZ, _RAMP = log(2.0), 0.5 / log(2.0), 0.25


class Shape(NamedTuple):
    """``passes``: share that passes at a place along the curve, one half at 0 and a quarter steep there.

    ``place``: where a share is reached.
    """

    passes: Callable[[Array], Array]
    place: Callable[[float], float]


#: Symmetric and smooth; straight; early and then long; late and then sudden.
SHAPES: Final = (
    Shape(lambda x: 1.0 / (1.0 + np.exp(-x)), lambda s: log(s / (1.0 - s))),
    Shape(lambda x: np.clip(0.5 + _RAMP * x, 0.0, 1.0), lambda s: (s - 0.5) / _RAMP),
    Shape(lambda x: np.exp(-_LN2 * np.exp(-_GOMPERTZ * x)), lambda s: -log(-log(s) / _LN2) / _GOMPERTZ),
    Shape(lambda x: 1.0 - np.exp(-_LN2 * np.exp(_GOMPERTZ * x)), lambda s: log(-log(1.0 - s) / _LN2) / _GOMPERTZ),
)


@dataclass(frozen=True, slots=True)
class Behind:
    """Values (n,) behind a filter ``days`` (n,) after it was renewed, their errors' ``covariance`` (n, n).

    ``mains``: level before the filter with its standard uncertainty.
    """

    days: Array
    value: Array
    covariance: Array
    mains: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Curves:
    """Curves (g,) of one shape: days until half passes, and steepness."""

    shape: Shape
    half: Array
    steep: Array

    def passed(self, days: Array) -> Array:
        """Share (g, n) that passes on ``days`` (n,)."""
        return self.shape.passes(np.clip(self.steep[:, None] * (days[None, :] / self.half[:, None] - 1.0), -60.0, 60.0))

    def reached(self, share: float) -> Array:
        """Days (g,) until so much passes."""
        return np.asarray(self.half * (1.0 + self.shape.place(share) / self.steep))


@dataclass(frozen=True, slots=True)
class Weighed:
    """``curves`` with their ``weight`` (g,); ``levels`` (g, 2): of the new filter, and the rise to the mains.

    ``spread`` (g, 2, 2): the levels' covariance.
    """

    curves: Curves
    weight: Array
    levels: Array
    spread: Array

    def values(self, days: Array, n: int, rng: np.random.Generator) -> Array:
        """``n`` draws of the water's values on ``days`` (m,)."""
        drawn = rng.choice(len(self.weight), n, p=self.weight / self.weight.sum())
        roots = np.linalg.cholesky(self.spread[drawn] + 1e-9 * np.eye(2))
        levels = self.levels[drawn] + (roots @ rng.standard_normal((n, 2, 1)))[:, :, 0]
        curves = Curves(self.curves.shape, self.curves.half[drawn], self.curves.steep[drawn])
        return np.asarray(levels[:, :1] + levels[:, 1:] * curves.passed(days))


@dataclass(frozen=True, slots=True)
class Breakthrough:
    """All that is likely, a member a shape; the weights of all together sum to 1."""

    members: tuple[Weighed, ...]

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


def breakthrough(behind: Behind) -> Breakthrough:
    """The curves that are likely: on a coarse grid, then on a fine one where those that are likely at all lie."""
    coarse = _weighed(behind, [_grid(shape, HALF_DAYS, STEEPNESS) for shape in SHAPES])
    most = max(float(m.weight.max()) for m in coarse)
    return Breakthrough(_weighed(behind, [_finer(m, most) for m in coarse if m.weight.max() > _NEGLIGIBLE * most]))


def _grid(shape: Shape, halves: tuple[float, float], steeps: tuple[float, float]) -> Curves:
    half, steep = np.meshgrid(np.geomspace(*halves, _GRID[0]), np.geomspace(*steeps, _GRID[1]), indexing="ij")
    return Curves(shape, half.ravel(), steep.ravel())


def _finer(coarse: Weighed, most: float) -> Curves:
    likely = coarse.weight > _NEGLIGIBLE * most
    curves = coarse.curves
    return _grid(curves.shape, _around(curves.half[likely], HALF_DAYS, _GRID[0]),
                 _around(curves.steep[likely], STEEPNESS, _GRID[1]))


def _around(values: Array, whole: tuple[float, float], n: int) -> tuple[float, float]:
    """From the smallest to the largest, and a step of the coarse grid more on either side."""
    step = (whole[1] / whole[0]) ** (1 / (n - 1))
    return max(whole[0], float(values.min()) / step), min(whole[1], float(values.max()) * step)


def _weighed(behind: Behind, grids: list[Curves]) -> tuple[Weighed, ...]:
    """Each grid with the share of all weight that its part of the prior and the readings give it."""
    white = whitener(behind.covariance)
    found = [_fitted(behind, white, curves) for curves in grids]
    best = max(float(log_weight.max()) for _, log_weight, _ in found)
    weights = [np.exp(log_weight - best) * _area(curves)
               for curves, (_, log_weight, _) in zip(grids, found, strict=True)]
    total = sum(float(w.sum()) for w in weights)
    return tuple(Weighed(curves, w / total, levels, spread)
                 for curves, w, (levels, _, spread) in zip(grids, weights, found, strict=True))


def _area(curves: Curves) -> float:
    """The part of the prior that a point of the grid stands for."""
    return float(np.prod([np.log(axis.max() / axis.min()) for axis in (curves.half, curves.steep)]))


def _fitted(behind: Behind, white: Array, curves: Curves) -> tuple[Array, Array, Array]:
    """Levels (g, 2), logarithm of the weight (g,) and the levels' covariance; a rise that falls has no weight."""
    mains, u_mains = behind.mains
    # Two columns of the design, and the values, all whitened; the mains is one more value.
    level = np.append(white @ np.ones(len(behind.days)), 1.0 / u_mains)
    rise = np.column_stack([curves.passed(behind.days) @ white.T, np.full(len(curves.half), 1.0 / u_mains)])
    y = np.append(white @ behind.value, mains / u_mains)
    normal = np.empty((len(rise), 2, 2))
    normal[:, 0, 0], normal[:, 1, 1] = level @ level, (rise**2).sum(axis=1)
    normal[:, 0, 1] = normal[:, 1, 0] = rise @ level
    right = np.column_stack([np.full(len(rise), level @ y), rise @ y])
    levels = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    log_weight = ((levels * right).sum(axis=1) - np.log(np.linalg.det(normal))) / 2
    return levels, np.where(levels[:, 1] > 0, log_weight, -np.inf), np.asarray(np.linalg.inv(normal), dtype=np.float64)
