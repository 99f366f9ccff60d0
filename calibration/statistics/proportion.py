"""A share from counts with its exact interval: Clopper and Pearson, Biometrika 26:404, 1934."""

from __future__ import annotations

from math import comb

from calibration.statistics.distributions import f_quantile


def exact_interval(hits: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """The shares of which neither ``hits`` of ``n`` nor more, nor that nor fewer, would be a surprise."""
    tail = (1.0 + level) / 2.0
    misses = n - hits
    low = 0.0 if hits == 0 else hits / (hits + (misses + 1) * f_quantile(tail, (2.0 * (misses + 1), 2.0 * hits)))
    if misses == 0:
        return low, 1.0
    f = f_quantile(tail, (2.0 * (hits + 1), 2.0 * misses))
    return low, (hits + 1) * f / (misses + (hits + 1) * f)


def at_most(hits: int, n: int, share: float) -> float:
    """Probability of no more than so many hits where each comes with probability ``share``."""
    return sum(comb(n, k) * share**k * (1.0 - share) ** (n - k) for k in range(hits + 1))
