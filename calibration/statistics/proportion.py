"""A share from counts with its exact interval: Clopper and Pearson, Biometrika 26:404, 1934."""

from __future__ import annotations


def exact_interval(hits: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """The shares at which ``hits`` or more of ``n``, and ``hits`` or fewer, are each likelier than (1 - level) / 2."""
    from scipy.special import betaincinv

    tail, misses = (1.0 - level) / 2.0, n - hits
    return (float(betaincinv(hits, misses + 1, tail)) if hits else 0.0,
            float(betaincinv(hits + 1, misses, 1.0 - tail)) if misses else 1.0)


def at_most(hits: int, n: int, share: float) -> float:
    """Probability of ``hits`` or fewer of ``n`` where each comes with probability ``share``."""
    from scipy.special import bdtr

    return float(bdtr(hits, n, share))
