"""Limits of agreement of two ways to measure: Bland and Altman, Lancet 327:307, 1986."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

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
        raise ValueError(f"{n} differences have no limits of agreement")
    bias, s = float(differences.mean()), float(differences.std(ddof=1))
    t = t_quantile(0.975, n - 1)
    low, high = bias - reach * s, bias + reach * s

    def about(value: float, u: float) -> Interval:
        return value - t * u, value + t * u

    return LimitsOfAgreement(
        n=n, bias=bias, s=s, limits=(low, high), bias_interval=about(bias, s / sqrt(n)),
        lower_interval=about(low, s * sqrt(3 / n)), upper_interval=about(high, s * sqrt(3 / n)))
