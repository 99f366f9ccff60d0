"""Each value of a series against those before it: median and robust standard deviation of what went before."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.outliers import PER_MEAN, PER_MEDIAN

Array = NDArray[np.float64]


def earlier(series: Array, most: int, runs: Sequence[int] | None = None) -> Array:
    """For each of ``series`` (n,) up to ``most`` values before it (n, most), not a number where there are fewer.

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
