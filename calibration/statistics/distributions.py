"""Distribution and quantile functions of Student's t, Fisher's F, chi-square, the noncentral t and the binomial.

Incomplete beta and gamma functions by their series of positive terms, which cannot cancel
(Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, 26.5.4 and 6.5.29).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from math import comb, copysign, exp, inf, lgamma, log, sqrt
from statistics import NormalDist

import numpy as np

#: Terms below this share of their sum are dropped.
_NEGLIGIBLE = 1e-17
_NORMAL = NormalDist()


def normal_cdf(z: float) -> float:
    """Probability below ``z`` of the standard normal."""
    return _NORMAL.cdf(z)


@cache
def t_quantile(p: float, dof: float) -> float:
    """Student's t with probability ``p`` below it, 0 < p < 1."""
    return copysign(sqrt(f_quantile(abs(2.0 * p - 1.0), (1.0, dof))), p - 0.5)


def f_cdf(f: float, dof: tuple[float, float]) -> float:
    """Probability below ``f`` of Fisher's F; ``dof`` of numerator and denominator."""
    if f == inf:
        return 1.0
    above, below = dof
    whole = above * f + below
    return _beta_below((above * f / whole, below / whole), (above / 2.0, below / 2.0))


@cache
def f_quantile(p: float, dof: tuple[float, float]) -> float:
    """Fisher's F with probability ``p`` below it, 0 <= p < 1."""
    return _invert(lambda f: f_cdf(f, dof), p)


def chi2_cdf(x: float, dof: float) -> float:
    """Probability below ``x`` of chi-square."""
    return _gamma_below(x / 2.0, dof / 2.0)


@cache
def chi2_quantile(p: float, dof: float) -> float:
    """Chi-square with probability ``p`` below it, 0 <= p < 1."""
    return _invert(lambda x: chi2_cdf(x, dof), p)


def noncentral_t_cdf(t: float, dof: float, *, delta: float) -> float:
    """Probability below ``t`` of the noncentral t: the mean of Phi(t s - delta) over s^2 ~ chi-square/dof."""
    s = np.linspace(0.0, 1.0 + 9.0 / sqrt(dof), 2001)[1:]
    density = np.exp(dof * np.log(s) - dof * s * s / 2.0 - (dof / 2.0 - 1.0) * log(2.0) - lgamma(dof / 2.0)
                     + dof / 2.0 * log(dof)) / s
    below = np.array([normal_cdf(z) for z in t * s - delta])
    return float((below * density).sum() * (s[1] - s[0]))


@cache
def t_noncentrality(dof: float, *, alpha: float, beta: float) -> float:
    """Delta at which a one-sided t test of level ``alpha`` misses with probability ``beta`` (ISO 11843-2)."""
    critical = t_quantile(1.0 - alpha, dof)
    return _invert(lambda delta: 1.0 - noncentral_t_cdf(critical, dof, delta=delta), 1.0 - beta)


def binomial_quantile(p: float, n: int, chance: float) -> int:
    """Return the least count that ``n`` trials of probability ``chance`` exceed with probability 1 - ``p`` at most."""
    below = 0.0
    for count in range(n):
        below += comb(n, count) * chance**count * (1.0 - chance) ** (n - count)
        if below >= p:
            return count
    return n


def _invert(cdf: Callable[[float], float], p: float) -> float:
    """Where a rising function of x >= 0 reaches ``p``: by doubling, then halving, to the last digit."""
    if not 0.0 <= p < 1.0:
        raise ValueError(f"no quantile at probability {p}")
    low, high = 0.0, 1.0
    while cdf(high) < p:
        low, high = high, 2.0 * high
    while low < (middle := (low + high) / 2.0) < high and high - low > 1e-15 * high:
        low, high = (middle, high) if cdf(middle) < p else (low, middle)
    return (low + high) / 2.0


def _beta_below(shares: tuple[float, float], shape: tuple[float, float]) -> float:
    """Regularised incomplete beta function I_x(a, b) at ``shares`` x and 1 - x, each with all its digits."""
    (x, rest), (a, b) = shares, shape
    if x <= 0.0 or rest <= 0.0:
        return float(rest <= 0.0)
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _beta_below((rest, x), (b, a))
    front = exp(a * log(x) + b * log(rest) + lgamma(a + b) - lgamma(a) - lgamma(b)) / a
    return front * _sum_of_series(lambda n: (a + b + n) / (a + 1.0 + n) * x)


def _gamma_below(x: float, a: float) -> float:
    """Regularised lower incomplete gamma function P(a, x)."""
    if x <= 0.0:
        return 0.0
    front = exp(a * log(x) - x - lgamma(a + 1.0))
    return min(1.0, front * _sum_of_series(lambda n: x / (a + 1.0 + n)))


def _sum_of_series(ratio: Callable[[int], float]) -> float:
    """1 + r(0) + r(0) r(1) + ..., until the terms no longer count."""
    total, term, n = 1.0, 1.0, 0
    while term > _NEGLIGIBLE * total:
        term *= ratio(n)
        total += term
        n += 1
    return total
