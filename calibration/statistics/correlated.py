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
#: Values that differ by less than this share of their mean, which is rounding, are alike.
_ALIKE = 1e-12
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
        own = np.maximum(self.own + self._own_growth * (at - self.value), _LEAST * self.own)
        # One line a group: at one value all of it has one common error, whatever each reading states.
        where, middle, slope, mean = self._groups
        common = mean[where] + slope[where] * (at - middle[where])
        return covariance(own, np.maximum(common, 0.0), self.group)

    @cached_property
    def _own_growth(self) -> float:
        return growth(self.value, self.own)

    @cached_property
    def _groups(self) -> tuple[NDArray[np.intp], Array, Array, Array]:
        """Number of each value's group (n,); of each group the mean value, the slope of `growth`, the mean common."""
        _, where = np.unique(self.group, return_inverse=True)
        return where, *_growths(self.value, self.common, where)


def growth(value: Array, u: Array) -> float:
    """By how much ``u`` (n,) grows with ``value`` (n,): at most in proportion, and it does not fall.

    Where all values are alike, in proportion: a relative error.
    """
    return float(_growths(value, u, np.zeros(len(value), dtype=np.intp))[1][0])


def _growths(value: Array, u: Array, where: NDArray[np.intp]) -> tuple[Array, Array, Array]:
    """Mean value, `growth` and mean ``u`` of each group; ``where`` (n,) is the number of each value's group."""
    n = np.bincount(where)
    middle, mean = np.bincount(where, value) / n, np.bincount(where, u) / n
    off = value - middle[where]
    spread = np.bincount(where, off**2)
    varied = spread > n * (_ALIKE * middle) ** 2
    enough = middle > _LEAST_SHARE * mean
    most = np.where(enough, mean / np.where(enough, middle, 1.0), 0.0)
    slope = np.bincount(where, off * u) / np.where(varied, spread, 1.0)
    return middle, np.where(varied, np.clip(slope, 0.0, most), most), mean


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
    """Value at one design ``row`` (p,) and the interval that contains a new value of standard uncertainty ``u``."""
    value, u_line = fitted.at(row)
    reach = z * hypot(u_line, u)
    return value, value - reach, value + reach
