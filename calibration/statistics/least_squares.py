"""Linear least squares with covariance: ordinary, or weighted by stated standard uncertainties.

JCGM 100:2008, H.3; ISO/TS 28037:2010, clauses 6 and 7.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fit:
    """``coefficients`` (p,), their ``covariance`` (p, p); ``rss``, a weighted sum of squares on ``dof``."""

    coefficients: Array
    covariance: Array
    rss: float
    dof: int

    @property
    def s(self) -> float:
        """Residual standard deviation, of unit weight where weighted. Raises ValueError at ``dof`` 0."""
        if self.dof < 1:
            raise ValueError("no degree of freedom is left for a residual standard deviation")
        return sqrt(self.rss / self.dof)

    @property
    def u(self) -> Array:
        """Standard uncertainties (p,) of the coefficients."""
        return np.sqrt(np.diag(self.covariance))

    def at(self, row: Array) -> tuple[float, float]:
        """Value and standard uncertainty of the fitted function at one design ``row`` (p,)."""
        return float(row @ self.coefficients), sqrt(float(row @ self.covariance @ row))


def straight(x: Array) -> Array:
    """Design (n, 2) of a straight line: intercept, slope."""
    return np.vander(x, 2, increasing=True)


def parabola(x: Array) -> Array:
    """Design (n, 3) of a parabola: intercept, slope, curvature."""
    return np.vander(x, 3, increasing=True)


def fit(design: Array, y: Array, *, u: Array | None = None) -> Fit:
    """Least squares of ``y`` (n,) on ``design`` (n, p).

    With standard uncertainties ``u`` (n,) of y the covariance follows from them; without, from the residuals.
    An intercept is found about the middle of the points, or far from zero its digits would be lost.
    """
    n, p = design.shape
    weight = (np.ones(n) if u is None else 1.0 / u)[:, None]
    columns = np.column_stack([design, y])
    middle = _middle(columns)
    *_, last = centred = ((columns - middle) * weight).T
    q, r = np.linalg.qr(centred[:-1].T)
    if n < p or np.linalg.matrix_rank(r / np.linalg.norm(design * weight, axis=0)) < p:
        raise ValueError(f"{n} points in these places do not determine {p} coefficients")
    found = np.linalg.solve(r, q.T @ last)
    rss = float(((last - found @ centred[:-1]) ** 2).sum())
    first = np.eye(p)[0]
    back = np.eye(p) - np.outer(first, middle[:-1])
    inverse = back @ np.linalg.inv(r)
    variance = 1.0 if u is not None else rss / max(n - p, 1)
    return Fit(back @ found + middle[-1] * first, variance * (inverse @ inverse.T), rss, n - p)


def _middle(columns: Array) -> Array:
    """Where columns (n, p) are centred: at their means where the first is that of an intercept, else at zero."""
    if not (columns[:, 0] == 1.0).all():
        return np.zeros(columns.shape[1])
    return np.append(0.0, columns[:, 1:].mean(axis=0))
