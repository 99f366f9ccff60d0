"""Agreement of two ways to measure, and of two people who decide.

Limits of agreement: Bland and Altman, Lancet 327:307, 1986. Cohen's kappa: Educational and Psychological Measurement
20:37-46, 1960; standard error by Fleiss, Cohen and Everitt, Psychological Bulletin 72:323-327, 1969, for large samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.statistics.distributions import t_quantile
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
