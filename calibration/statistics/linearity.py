"""Is the fitted function of the right form? Lack of fit against replicates, and Mandel's test.

Lack of fit: Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, ch. 2. Mandel: ISO 8466-1:2021.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.distributions import f_tail
from calibration.statistics.least_squares import Fit, fit, parabola, straight

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FTest:
    """A ratio of variances on its degrees of freedom."""

    statistic: float
    dof1: int
    dof2: int

    @property
    def p(self) -> float:
        """Probability of a ratio at least as large if nothing is wrong."""
        return f_tail(self.statistic, (self.dof1, self.dof2))


def lack_of_fit(x: Array, y: Array, *, fitted: Fit) -> FTest | None:
    """Scatter of level means about ``fitted`` over that of replicates, x and y (n,); None without any."""
    levels, of = np.unique(x, return_inverse=True)
    pure = float(((y - (np.bincount(of, y) / np.bincount(of))[of]) ** 2).sum())
    dof_pure = len(x) - len(levels)
    dof = fitted.dof - dof_pure
    if dof < 1 or dof_pure < 1 or pure == 0.0:
        return None
    return FTest((fitted.rss - pure) / dof / (pure / dof_pure), dof, dof_pure)


def mandel(x: Array, y: Array) -> FTest | None:
    """Does a parabola serve better than a straight line? None with fewer than four levels."""
    if len(np.unique(x)) < 4:
        return None
    # About their middle, for far from zero x and its square look alike; neither sum of squares depends on it.
    x = x - x.mean()
    line, bent = fit(straight(x), y), fit(parabola(x), y)
    return FTest((line.rss - bent.rss) / bent.s**2, 1, bent.dof) if bent.rss else None
