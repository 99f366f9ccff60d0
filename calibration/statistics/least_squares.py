"""Linear least squares with covariance, also of errors partly shared: its inverse, tests of form, the next value.

Ordinary, or weighted by stated standard uncertainties: JCGM 100:2008, H.3; ISO/TS 28037:2010, clauses 6 and 7.
Inverse: delta method, JCGM 100:2008, 5.1; exact interval: Fieller, J. R. Stat. Soc. B 16:175, 1954, here from the
covariance of the line, so that weighted lines are served alike. Lack of fit: Draper and Smith, Applied Regression
Analysis, 3rd ed. 1998, ch. 2. Mandel's test: ISO 8466-1:2021.

Errors partly shared: Gauss-Markov estimate with a full covariance, ISO/TS 28037:2010, clause 10; JCGM 102:2011. An
uncertainty stated with a value was evaluated at that value. Where it grows with the value, readings that came out low
would weigh most, and a common error taken as a share of each reading would pull the mean below all of them (Peelle's
pertinent puzzle). So uncertainties are evaluated at the fitted values (D'Agostini, Nucl. Instrum. Methods A 346:306,
1994).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from calibration.statistics.distributions import f_tail, t_quantile
from shared.estimate import Z95

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
    Columns are centred to avoid cancellation.
    """
    n, p = design.shape
    weight = (np.ones(n) if u is None else 1.0 / u)[:, None]
    columns = np.column_stack([design, y])
    middle = _middle(columns)
    *_, last = centred = ((columns - middle) * weight).T
    q, r = np.linalg.qr(centred[:-1].T)
    if n < p or np.linalg.matrix_rank(r / np.linalg.norm(design * weight, axis=0)) < p:
        raise ValueError(f"{n} points at these positions do not determine {p} coefficients")
    coefficients = np.linalg.solve(r, q.T @ last)
    rss = float(((last - coefficients @ centred[:-1]) ** 2).sum())
    first = np.eye(p)[0]
    back = np.eye(p) - np.outer(first, middle[:-1])
    inverse = back @ np.linalg.inv(r)
    variance = 1.0 if u is not None else rss / max(n - p, 1)
    return Fit(back @ coefficients + middle[-1] * first, variance * (inverse @ inverse.T), rss, n - p)


def _middle(columns: Array) -> Array:
    """Where columns (n, p) are centred: at their means where the first is that of an intercept, else at zero."""
    if not (columns[:, 0] == 1.0).all():
        return np.zeros(columns.shape[1])
    return np.append(0.0, columns[:, 1:].mean(axis=0))


@dataclass(frozen=True, slots=True)
class Inverse:
    """The x of a reading, its standard uncertainty by the delta method, and Fieller's interval.

    ``interval`` is None where the slope does not differ significantly from zero: then no finite interval exists.
    """

    x: float
    u: float
    interval: tuple[float, float] | None


def inverse(line: Fit, y: float, *, u_y: float, level: float = 0.95) -> Inverse:
    """The x at which ``line`` passes ``y``, a reading of standard uncertainty ``u_y``.

    For the mean of m readings scattering as the line's own points, ``u_y = line.s / sqrt(m)``; for the mean
    response itself, 0.
    """
    (a, b), ((caa, cab), (_, cbb)) = line.coefficients.tolist(), line.covariance.tolist()
    x = (y - a) / b
    u = sqrt(u_y**2 + caa + 2.0 * x * cab + x * x * cbb) / abs(b)
    t2 = t_quantile((1.0 + level) / 2.0, line.dof) ** 2
    # (a + b x - y)^2 <= t^2 (variance of a + b x - y) is a quadratic in x: p x^2 + 2 q x + r <= 0.
    p, q, r = b * b - t2 * cbb, (a - y) * b - t2 * cab, (a - y) ** 2 - t2 * (u_y**2 + caa)
    if p <= 0.0:
        return Inverse(x, u, None)
    half = sqrt(q * q - p * r)
    return Inverse(x, u, ((-q - half) / p, (-q + half) / p))


@dataclass(frozen=True, slots=True)
class FTest:
    """A ratio of variances on its degrees of freedom."""

    statistic: float
    dof1: int
    dof2: int

    @property
    def p(self) -> float:
        """Probability of a ratio at least as large if nothing is wrong."""
        return f_tail(self.statistic, (self.dof1, self.dof2))


def lack_of_fit(x: Array, y: Array, *, fitted: Fit) -> FTest | None:
    """Scatter of level means about ``fitted`` over that of replicates, x and y (n,); None without any."""
    levels, of = np.unique(x, return_inverse=True)
    pure = float(((y - (np.bincount(of, y) / np.bincount(of))[of]) ** 2).sum())
    dof_pure = len(x) - len(levels)
    dof = fitted.dof - dof_pure
    if dof < 1 or dof_pure < 1 or pure == 0.0:
        return None
    return FTest((fitted.rss - pure) / dof / (pure / dof_pure), dof, dof_pure)


def mandel(x: Array, y: Array) -> FTest | None:
    """Does a parabola serve better than a straight line? None with fewer than four levels."""
    if len(np.unique(x)) < 4:
        return None
    # About their middle, for far from zero x and its square look alike; neither sum of squares depends on it.
    x = x - x.mean()
    line, bent = fit(straight(x), y), fit(parabola(x), y)
    return FTest((line.rss - bent.rss) / bent.s**2, 1, bent.dof) if bent.rss else None


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
class MeasuredValues:
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


def fit_correlated(design: Array, measured: MeasuredValues) -> Fit:
    """Least squares of the values (n,) on ``design`` (n, p), their covariance that at the fitted values.

    Raises ValueError where the points do not determine the coefficients.
    """
    line = fit(design, measured.value)
    at = design @ line.coefficients
    for _ in range(_ROUNDS):
        white = whitener(measured.covariance(at))
        line = fit(white @ design, white @ measured.value, u=np.ones(len(at)))
        before, at = at, design @ line.coefficients
        if np.abs(at - before).max() <= _SETTLED * np.abs(at).max():
            break
    return line


def mean_correlated(measured: MeasuredValues) -> tuple[float, float]:
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
