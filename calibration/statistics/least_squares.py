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
    """
    n, p = design.shape
    weight = np.ones(n) if u is None else 1.0 / u
    q, r = np.linalg.qr(design * weight[:, None])
    if n < p or np.linalg.matrix_rank(r) < p:
        raise ValueError(f"{n} points in these places do not determine {p} coefficients")
    coefficients = np.linalg.solve(r, q.T @ (y * weight))
    rss = float((((y - design @ coefficients) * weight) ** 2).sum())
    inverse = np.linalg.inv(r)
    variance = 1.0 if u is not None else rss / max(n - p, 1)
    return Fit(coefficients, variance * (inverse @ inverse.T), rss, n - p)
