"""Quantiles and tails of Student's t, Fisher's F, chi-square and the binomial by name; the exact interval of a share.

The functions of SciPy behind them are imported when first called, so that reading a photograph does without SciPy.
Small probabilities come from the tail itself: 1 minus the distribution function has no digits left below 1e-16.
"""

from __future__ import annotations

import numpy as np


def t_quantile(p: float, dof: float) -> float:
    """Student's t with probability ``p`` below it, 0 < p < 1."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, p))


def f_tail(f: float, dof: tuple[float, float]) -> float:
    """Probability above ``f`` of Fisher's F; ``dof`` of numerator and denominator."""
    from scipy.special import fdtrc

    return float(fdtrc(*dof, f))


def chi2_tail(x: float, dof: float) -> float:
    """Probability above ``x`` of chi-square."""
    from scipy.special import chdtrc

    return float(chdtrc(dof, x))


def chi2_quantile(p: float, dof: float) -> float:
    """Chi-square with probability ``p`` below it, 0 < p < 1."""
    from scipy.special import chdtri

    return float(chdtri(dof, 1.0 - p))


def t_noncentrality(dof: float, *, alpha: float, beta: float) -> float:
    """Delta at which a one-sided t test of level ``alpha`` misses with probability ``beta`` (ISO 11843-2)."""
    from scipy.special import nctdtrinc

    return float(nctdtrinc(dof, beta, t_quantile(1.0 - alpha, dof)))


def binomial_quantile(p: float, n: int, chance: float) -> int:
    """Return the least count that ``n`` trials of probability ``chance`` exceed with probability 1 - ``p`` at most."""
    from scipy.special import bdtr

    return int(np.argmax(bdtr(np.arange(n + 1), n, chance) >= p))


def exact_interval(hits: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """Clopper-Pearson interval of a proportion."""
    from scipy.special import betaincinv

    tail, misses = (1.0 - level) / 2.0, n - hits
    return (float(betaincinv(hits, misses + 1, tail)) if hits else 0.0,
            float(betaincinv(hits + 1, misses, 1.0 - tail)) if misses else 1.0)


def at_most(hits: int, n: int, share: float) -> float:
    """Probability of ``hits`` or fewer of ``n`` where each comes with probability ``share``."""
    from scipy.special import bdtr

    return float(bdtr(hits, n, share))
