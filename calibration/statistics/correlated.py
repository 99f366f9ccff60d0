"""Linear least squares of values whose errors are known and partly shared, and where the next value will lie.

Gauss-Markov estimate with a full covariance: ISO/TS 28037:2010, clause 10; JCGM 102:2011.
"""

from __future__ import annotations

from math import hypot

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.least_squares import Fit, fit
from shared.estimate import Z95

Array = NDArray[np.float64]


def covariance(u_own: Array, u_common: Array, group: Array | NDArray[np.int64]) -> Array:
    """Covariance (n, n) of values with errors of their own and errors common to all of a ``group`` (n,)."""
    together = group[:, None] == group[None, :]
    common: Array = np.outer(u_common, u_common) * together
    return common + np.diag(u_own**2)


def whitener(matrix: Array) -> Array:
    """The matrix (n, n) that turns values of this covariance into ones of unit variance without correlation."""
    return np.asarray(np.linalg.inv(np.linalg.cholesky(matrix)))


def fit_correlated(design: Array, y: Array, *, covariance: Array) -> Fit:
    """Least squares of ``y`` (n,) on ``design`` (n, p), the errors' covariance (n, n) known.

    Raises ValueError where the points do not determine the coefficients.
    """
    white = whitener(covariance)
    return fit(white @ design, white @ y, u=np.ones(len(y)))


def mean_correlated(y: Array, covariance: Array) -> tuple[float, float]:
    """The mean of ``y`` (n,) and its standard uncertainty: the fit of a level, in closed form."""
    weight = np.linalg.solve(covariance, np.ones(len(y)))
    total = float(weight.sum())
    return float(weight @ y) / total, total**-0.5


def predicted(fitted: Fit, row: Array, *, u: float, z: float = Z95) -> tuple[float, float, float]:
    """Value at one design ``row`` (p,) and the interval that holds a new value of standard uncertainty ``u``."""
    value, u_line = fitted.at(row)
    reach = z * hypot(u_line, u)
    return value, value - reach, value + reach
