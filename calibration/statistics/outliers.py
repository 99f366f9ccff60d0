"""Values that do not belong with the rest, named and never dropped here, and how much scatter comes from each stage.

Grubbs with the two levels of ISO 5725-2:2019, 8.3.5; modified z-scores of Iglewicz and Hoaglin, How to
Detect and Handle Outliers, ASQC 1993; robust mean and standard deviation by Algorithm A, ISO 13528:2022, C.3.
In a series each value is compared with the median and robust standard deviation of those before it.

Sums of squares and their expectations for unequal groups: Searle, Casella, McCulloch, Variance Components,
Wiley 1992, 3.6 and 5.3; for one stage it is the repeatability and between-laboratory variance of ISO 5725-2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.distributions import t_quantile

Array = NDArray[np.float64]
Verdict = Literal["consistent", "straggler", "outlier"]

#: ISO 5725-2: beyond 5 % a straggler (kept and marked), beyond 1 % an outlier.
STRAGGLER, OUTLIER = 0.05, 0.01
#: Modified z-score beyond which Iglewicz and Hoaglin call a value a potential outlier.
MODIFIED_Z_LIMIT = 3.5
#: Standard deviation of a normal over its median, and over its mean, absolute deviation.
PER_MEDIAN, PER_MEAN = 1.482602218505602, 1.2533141373155003
#: Algorithm A: values are pulled in to 1.5 s*, which shrinks the standard deviation by 1.134.
_PULL, _SHRINKAGE = 1.5, 1.134
#: Change in a round, as a share of the scale it began with, at which it has settled.
_SETTLED = 1e-10


@dataclass(frozen=True, slots=True)
class Grubbs:
    """The value farthest from the mean: its place, its distance in standard deviations, and the verdict."""

    index: int
    statistic: float
    verdict: Verdict


def grubbs_critical(n: int, alpha: float) -> float:
    """Two-sided critical value of Grubbs' statistic for ``n`` values."""
    t2 = t_quantile(1.0 - alpha / (2.0 * n), n - 2) ** 2
    return (n - 1) / sqrt(n) * sqrt(t2 / (n - 2 + t2))


def grubbs(values: Array) -> Grubbs | None:
    """Grubbs' test of the farthest of ``values`` (n,); None where fewer than three, or none differ."""
    spread = float(np.std(values, ddof=1)) if len(values) > 2 else 0.0
    if spread == 0.0:
        return None
    distance = np.abs(values - np.mean(values)) / spread
    index = int(np.argmax(distance))
    statistic = float(distance[index])
    if statistic > grubbs_critical(len(values), OUTLIER):
        return Grubbs(index, statistic, "outlier")
    straggles = statistic > grubbs_critical(len(values), STRAGGLER)
    return Grubbs(index, statistic, "straggler" if straggles else "consistent")


def robust_scale(values: Array) -> float:
    """Standard deviation from the median absolute deviation, or, where that is 0, from the mean one."""
    distance = np.abs(values - np.median(values))
    return float(np.median(distance) * PER_MEDIAN or np.mean(distance) * PER_MEAN)


def modified_z(values: Array) -> Array:
    """Modified z-scores (n,) of ``values``; zeros where none differ."""
    scale = robust_scale(values)
    return (values - np.median(values)) / scale if scale else np.zeros_like(values)


def algorithm_a(values: Array) -> tuple[float, float]:
    """Robust mean and standard deviation of ``values`` (n,), n > 0; the latter 0 where most are equal."""
    mean, start = float(np.median(values)), robust_scale(values)
    spread, change = start, start
    # Where most values are equal both shrink towards them in even proportion, by as little as 1 % a round.
    while change > _SETTLED * start:
        pulled = np.clip(values, mean - _PULL * spread, mean + _PULL * spread)
        before, mean, spread = (mean, spread), float(pulled.mean()), _SHRINKAGE * float(pulled.std(ddof=1))
        change = max(abs(mean - before[0]), abs(spread - before[1]))
    return mean, spread


def earlier(series: Array, most: int, runs: Sequence[int] | None = None) -> Array:
    """For each of ``series`` (n,) up to ``most`` values before it (n, most), NaN where there are fewer.

    ``runs``: lengths of several series given one after the other, each independent of the one before.
    """
    padded = np.concatenate([np.full(most, np.nan), series[:-1]])
    windows = np.lib.stride_tricks.sliding_window_view(padded, most)[: len(series)]
    before = np.concatenate([np.arange(length) for length in (runs or [len(series)])])
    return np.where(np.arange(most) >= most - before[:, None], windows, np.nan)


def medians(windows: Array) -> Array:
    """The median of each row's numbers (n,); not a number where there are none."""
    ordered, count = np.sort(windows, axis=1), (~np.isnan(windows)).sum(axis=1)
    row = np.arange(len(windows))
    middle = ordered[row, np.maximum(count - 1, 0) // 2] + ordered[row, np.minimum(count // 2, windows.shape[1] - 1)]
    return np.asarray(np.where(count > 0, middle / 2, np.nan))


def robust_scales(windows: Array) -> Array:
    """The robust standard deviation of each row's numbers (n,), as `outliers.robust_scale` has it of one."""
    distance = np.abs(windows - medians(windows)[:, None])
    count = np.maximum((~np.isnan(windows)).sum(axis=1), 1)
    by_median = medians(distance) * PER_MEDIAN
    return np.asarray(np.where(by_median == 0.0, np.nansum(distance, axis=1) / count * PER_MEAN, by_median))


Labels = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage's sum of squares on ``dof``, and the variance it adds (negative: none was found)."""

    sum_of_squares: float
    dof: int
    variance: float

    @property
    def sd(self) -> float:
        """Standard deviation that the stage adds; a negative estimate counts as none (ISO 5725-2, 7.4.5)."""
        return float(np.sqrt(max(self.variance, 0.0)))


def nested(values: Array, groups: Sequence[Sequence[object]]) -> tuple[Stage, ...]:
    """Stages from the outermost grouping to the values within the innermost.

    ``values`` (n,); each of ``groups`` labels every value, outermost first: (lights, strips) for instance.
    Raises ValueError where a stage has no degrees of freedom.
    """
    cells = _cells(len(values), groups)
    # Centred first, or the sums would drown the digits that differ.
    squares = np.diff([_sum_of_cells(values - values.mean(), cell) for cell in cells])
    dof = np.diff([int(cell.max()) + 1 for cell in cells])
    if (dof < 1).any():
        raise ValueError("a level of the nesting must have more groups than the one above")
    # Each variance enters the sums of its own stage and of all outer ones.
    expected = np.diff([[_share(outer, inner) for inner in cells[1:]] for outer in cells], axis=0)
    variance = np.linalg.solve(expected, squares)
    return tuple(Stage(float(s), int(d), float(v)) for s, d, v in zip(squares, dof, variance, strict=True))


def _cells(n: int, groups: Sequence[Sequence[object]]) -> list[Labels]:
    """Numbers of the cells that each value lies in: all, by each grouping within the one before, its own."""
    keys: list[list[object]] = [[()] * n]
    for group in groups:
        keys.append(list(zip(keys[-1], group, strict=True)))
    numbered = []
    for key in keys:
        number = {k: i for i, k in enumerate(dict.fromkeys(key))}
        numbered.append(np.array([number[k] for k in key], dtype=np.int64))
    return [*numbered, np.arange(n)]


def _sum_of_cells(values: Array, cell: Labels) -> float:
    """Sum over cells of (sum of values)^2 / count."""
    return float((np.bincount(cell, values) ** 2 / np.bincount(cell)).sum())


def _share(outer: Labels, inner: Labels) -> float:
    """Coefficient of the inner stage's variance in the expectation of `_sum_of_cells` over ``outer``."""
    # Cells are numbered as they appear, so of two nested groupings the finer has the larger numbers.
    _, first, size = np.unique(np.maximum(outer, inner), return_index=True, return_counts=True)
    return float((np.bincount(outer[first], size.astype(np.float64) ** 2) / np.bincount(outer)).sum())
