"""Linear least squares of values whose errors are known and partly shared, and where the next value will lie.

Gauss-Markov estimate with a full covariance: ISO/TS 28037:2010, clause 10; JCGM 102:2011. An uncertainty stated with
a value was evaluated at that value. Where it grows with the value, readings that came out low would weigh most, and a
common error taken as a share of each reading would pull the mean below all of them (Peelle's pertinent puzzle). So
uncertainties are evaluated at the fitted values (D'Agostini, Nucl. Instrum. Methods A 346:306, 1994).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import hypot

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.least_squares import Fit, fit
from shared.estimate import Z95

Array = NDArray[np.float64]
Groups = Array | NDArray[np.int64]

#: A fit has settled where no fitted value moves by more than this share of the largest; it takes 3 or 4 rounds.
_SETTLED, _ROUNDS = 1e-10, 50
#: Values below this share of their uncertainty show no relative error.
_LEAST_SHARE = 1e-6
#: No error of a value's own is taken as less than this share of what was stated.
_LEAST = 0.1


@dataclass(frozen=True)
class Measured:
    """Values (n,) with standard uncertainties as stated at each: of its ``own``, and ``common`` to its ``group``."""

    value: Array
    own: Array
    common: Array
    group: Groups

    def covariance(self, at: Array | float) -> Array:
        """Covariance (n, n) of the values' errors where the true values are ``at`` (n,)."""
        own = uncertainty_at(self.value, self.own, at)
        # One line a group: at one value all of it has one common error, whatever each reading states.
        where, middle, slope, mean = self._groups
        common = mean[where] + slope[where] * (at - middle[where])
        return covariance(own, np.maximum(common, 0.0), self.group)

    @cached_property
    def _groups(self) -> tuple[NDArray[np.intp], Array, Array, Array]:
        """Number of each value's group (n,); of each group the mean value, the slope of `growth`, the mean common."""
        names, where = np.unique(self.group, return_inverse=True)
        members = [where == i for i in range(len(names))]
        return (where, np.array([self.value[m].mean() for m in members]),
                np.array([growth(self.value[m], self.common[m]) for m in members]),
                np.array([self.common[m].mean() for m in members]))


def growth(value: Array, u: Array) -> float:
    """By how much ``u`` (n,) grows with ``value`` (n,): at most in proportion, and it does not fall.

    Where all values are alike, in proportion: a relative error.
    """
    middle = float(value.mean())
    most = float(u.mean()) / middle if middle > _LEAST_SHARE * float(u.mean()) else 0.0
    off = value - middle
    spread = float(off @ off)
    return most if spread == 0.0 else float(np.clip(off @ u / spread, 0.0, most))


def uncertainty_at(value: Array, u: Array, at: Array | float) -> Array:
    """Standard uncertainties (n,), stated as ``u`` at values as measured, where the true values are ``at``."""
    return np.maximum(u + growth(value, u) * (at - value), _LEAST * u)


def covariance(u_own: Array, u_common: Array, group: Groups) -> Array:
    """Covariance (n, n) of values with errors of their own and errors common to all of a ``group`` (n,)."""
    together = group[:, None] == group[None, :]
    common: Array = np.outer(u_common, u_common) * together
    return common + np.diag(u_own**2)


def whitener(matrix: Array) -> Array:
    """The matrix (n, n) that turns values of this covariance into ones of unit variance without correlation."""
    return np.asarray(np.linalg.inv(np.linalg.cholesky(matrix)))


def fit_correlated(design: Array, measured: Measured) -> Fit:
    """Least squares of the values (n,) on ``design`` (n, p), their covariance that at the fitted values.

    Raises ValueError where the points do not determine the coefficients.
    """
    found = fit(design, measured.value)
    at = design @ found.coefficients
    for _ in range(_ROUNDS):
        white = whitener(measured.covariance(at))
        found = fit(white @ design, white @ measured.value, u=np.ones(len(at)))
        before, at = at, design @ found.coefficients
        if np.abs(at - before).max() <= _SETTLED * np.abs(at).max():
            break
    return found


def mean_correlated(measured: Measured) -> tuple[float, float]:
    """The mean of the values and its standard uncertainty: the fit of a level, in closed form."""
    mean = float(measured.value.mean())
    for _ in range(_ROUNDS):
        weight = np.linalg.solve(measured.covariance(mean), np.ones(len(measured.value)))
        before, mean = mean, float(weight @ measured.value / weight.sum())
        if abs(mean - before) <= _SETTLED * abs(mean):
            break
    return mean, float(weight.sum()) ** -0.5


def predicted(fitted: Fit, row: Array, *, u: float, z: float = Z95) -> tuple[float, float, float]:
    """Value at one design ``row`` (p,) and the interval that holds a new value of standard uncertainty ``u``."""
    value, u_line = fitted.at(row)
    reach = z * hypot(u_line, u)
    return value, value - reach, value + reach
