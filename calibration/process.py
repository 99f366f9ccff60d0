"""The process behind a chart's curve: a Gaussian process of spectra along the concentration.

Every photograph shows the pad through its own camera and light; the process joins them into the one
reflectance curve behind all of them (Rasmussen and Williams, Gaussian Processes for Machine Learning,
2006, ch. 2 and 5). Photographs of one light share what their patches cannot tell of that light, so their
mismatch is taken as common and does not average out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.observation import StandardObservation
from calibration.reflectance import PRIOR_SD, PRIOR_VARIANCE, augmented, load_derivative
from calibration.scale import Scale

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shape:
    """What the process expects before it sees standards, in units of the prior's standard deviation.

    ``slope`` along the scale, ``bend`` away from a straight line over ``length`` of the scale, and the
    scatter of dye load ``load`` from strip to strip (relative).
    """

    slope: float = 1.5
    bend: float = 0.5
    length: float = 0.35
    load: float = 0.02


#: Factors by which each number of the shape is tried up and down, coarse then fine.
_STEPS = (2.0, 1.4)
_BOUNDS = {"slope": (0.3, 6.0), "bend": (0.03, 3.0), "length": (0.15, 1.5), "load": (0.003, 0.3)}
#: What arithmetic needs on a diagonal to stay positive; signals of paper are 1.
_JITTER = 1e-8
#: Half width of the step over which slopes along the scale are taken.
_STEP = 1e-3


class Process:
    """One analyte's standards on one scale; re-solved for a shape until the spectra settle."""

    def __init__(self, standards: Sequence[StandardObservation], scale: Scale) -> None:
        self.standards = standards
        self.scale = scale
        self.shape = Shape()
        value, u = np.array([(s.value, s.u) for s in standards]).T
        self.x = scale.position(value)
        self.levels, self.level_of = np.unique(value, return_inverse=True)
        ends = scale.position(np.clip([value - u, value + u], scale.low, scale.high))
        self.x_u = (ends[1] - ends[0]) / 2
        mean = np.array([s.pad.response.mean for s in standards])
        self.h = mean[:, :, 1:]
        self.residual = (np.array([s.pad.signal for s in standards]) - mean[:, :, 0]).ravel()
        self.weights = np.zeros((len(standards), self.h.shape[2]))
        self.slope = np.zeros_like(self.weights)
        self._rows = PRIOR_VARIANCE[:, None] * self.h.reshape(-1, self.h.shape[2]).T
        self._alike = (self.h.reshape(-1, self.h.shape[2]) @ self._rows).reshape(*self.h.shape[:2], *self.h.shape[:2])
        self._given = _GivenNoise.of(standards)

    def solve(self, shape: Shape, rounds: int = 1) -> None:
        """Settle the process for a shape; the noise depends on the spectra, hence the rounds."""
        self.shape = shape
        n = len(self.standards)
        prior = (self._alike * self._kernel(self.x, self.x)[:, None, :, None]).reshape(3 * n, 3 * n)
        for _ in range(rounds):
            self.inverse = np.linalg.inv(prior + self._noise())
            self.alpha = self.inverse @ self.residual
            places = np.concatenate([self.x, self.x - _STEP, self.x + _STEP])
            self.weights, before, after = self.at(places).reshape(3, n, -1)
            self.slope = (after - before) / (2 * _STEP)

    def _kernel(self, x: Array, y: Array) -> Array:
        gap = x[:, None] - y
        s = self.shape
        bent = s.bend**2 * np.exp(-0.5 * (gap / s.length) ** 2)
        return np.asarray(PRIOR_SD**2 * (1.0 + s.slope**2 * x[:, None] * y + bent))

    def own_noise(self) -> Array:
        """Covariance (n, 3, 3) of each photograph's signals about the curve: as measured, strip, level."""
        strip = np.einsum("ncj,nj->nc", self.h, load_derivative(self.weights)) * self.shape.load
        level = self.shift * self.x_u[:, None]
        own = self._given.own(self.weights)
        return np.asarray(own + strip[:, :, None] * strip[:, None] + level[:, :, None] * level[:, None])

    def _noise(self) -> Array:
        """Covariance (3n, 3n) of the signals about the curve: each photograph's own, and that of their lights."""
        n = len(self.standards)
        noise = self._given.common(self.weights)
        noise[np.arange(n), :, np.arange(n)] += self.own_noise()
        return noise.reshape(3 * n, 3 * n)

    @property
    def shift(self) -> Array:
        """Change (n, 3) of each photograph's signals for a unit of the scale."""
        return np.asarray(np.einsum("ncj,nj->nc", self.h, self.slope))

    def places(self) -> Array:
        """Place (n,) on the scale at which each photograph by itself puts its pad, to first order."""
        weight = np.linalg.solve(self.own_noise(), self.shift[:, :, None])[:, :, 0]
        weight /= (weight * self.shift).sum(axis=1, keepdims=True)
        off = self.residual.reshape(-1, 3) - np.einsum("ncj,nj->nc", self.h, self.weights)
        return np.asarray(self.x + (weight * off).sum(axis=1))

    def _cross(self, x: Array) -> Array:
        """Prior covariance (m, 12, 3n) of the coefficients at positions (m,) with all signals."""
        k = self._kernel(x, self.x)[:, None, :, None]
        return np.asarray((k * self._rows.reshape(1, -1, len(self.x), 3)).reshape(len(x), len(self._rows), -1))

    def at(self, x: Array) -> Array:
        """Posterior mean of the coefficients at positions ``(n,)``, shape ``(n, 12)``."""
        return np.asarray(self._cross(x) @ self.alpha)

    def covariance_at(self, x: Array) -> Array:
        """Posterior covariance of the coefficients at positions ``(n,)``, shape ``(n, 12, 12)``."""
        cross = self._cross(x)
        prior = np.diag(self._kernel(x, x))[:, None, None] * np.diag(PRIOR_VARIANCE)
        return prior - cross @ self.inverse @ cross.transpose(0, 2, 1)

    @property
    def evidence(self) -> float:
        """Log marginal likelihood of the standards under the shape."""
        return float(-0.5 * self.residual @ self.alpha + 0.5 * np.linalg.slogdet(self.inverse)[1])

    @property
    def left_out(self) -> float:
        """Mean log density of a whole level's signals, predicted from all other levels.

        The end levels are left in: without them the curve would have to be extended, not interpolated.
        """
        total = 0.0
        for level in range(1, len(self.levels) - 1):
            error, precision = self.without(self.level_of == level)
            total += -0.5 * error @ precision @ error + 0.5 * np.linalg.slogdet(precision)[1]
        return float(total / (len(self.levels) - 2))

    def without(self, members: NDArray[np.bool_]) -> tuple[Array, Array]:
        """Errors (3k,) and precision (3k, 3k) of the members' signals, predicted from all other photographs.

        Rasmussen and Williams, eqs. 5.10-5.12, for groups.
        """
        rows = (3 * np.flatnonzero(members)[:, None] + np.arange(3)).ravel()
        precision = self.inverse[np.ix_(rows, rows)]
        return np.linalg.solve(precision, self.alpha[rows]), precision


@dataclass(frozen=True, slots=True)
class _GivenNoise:
    """Covariances that the photographs bring along.

    ``measured`` (n, 3, 3) of the pads' signals, ``correction`` (n, 3, 13, 13); ``lights``: members (k,) of each
    light and the mismatch (3, 13, 13) common to them.
    """

    measured: Array
    correction: Array
    lights: tuple[tuple[NDArray[np.int64], Array], ...]

    @classmethod
    def of(cls, standards: Sequence[StandardObservation]) -> _GivenNoise:
        named = np.array([s.light for s in standards])
        mismatch = np.array([s.pad.response.mismatch for s in standards])
        lights = [(np.flatnonzero(named == name), mismatch[named == name].mean(axis=0)) for name in np.unique(named)]
        return cls(np.array([s.pad.pixel + s.pad.field + _JITTER * np.eye(3) for s in standards]),
                   np.array([s.pad.response.correction for s in standards]), tuple(lights))

    def own(self, weights: Array) -> Array:
        """Covariance (n, 3, 3) of each photograph's signals by itself."""
        seen = augmented(weights)
        correction = np.einsum("ni,ncij,nj->nc", seen, self.correction, seen, optimize=True)
        return np.asarray(self.measured + correction[:, :, None] * np.eye(3))

    def common(self, weights: Array) -> Array:
        """Covariance (n, 3, n, 3) that photographs of one light have in common."""
        n = len(weights)
        out = np.zeros((n, 3, n, 3))
        for members, mismatch in self.lights:
            seen = augmented(weights[members])
            for c in range(3):
                channel = np.array([c])
                out[np.ix_(members, channel, members, channel)] = (seen @ mismatch[c] @ seen.T)[:, None, :, None]
        return out


def improve(process: Process) -> None:
    """Climb the evidence one number of the shape at a time; two sweeps of steps suffice."""
    shape, best = process.shape, process.evidence
    for step in _STEPS:
        for name, (low, high) in _BOUNDS.items():
            for factor in (step, 1 / step):
                while low <= (trial := getattr(shape, name) * factor) <= high:
                    process.solve(replace(shape, **{name: trial}))
                    if process.evidence <= best + 0.01:
                        break
                    best, shape = process.evidence, replace(shape, **{name: trial})
    process.solve(shape, rounds=3)
