"""Standards' photographs to a curve: a Gaussian process of spectra along the concentration.

Every photograph shows the pad through its own camera and light; the process joins them into the one
reflectance curve behind all of them (Rasmussen and Williams, Gaussian Processes for Machine Learning,
2006, ch. 2 and 5). Photographs of one light share what their patches cannot tell of that light, so their
mismatch is taken as common and does not average out. The scale is chosen by leaving out whole levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.curve import N_NODES, Curve, Level, lower_triangles
from calibration.observation import StandardObservation
from calibration.reflectance import PRIOR_SD, PRIOR_VARIANCE, XYZ_FRAME, augmented, load_derivative
from calibration.scale import Scale, candidates
from shared.colour import xyz_to_lab
from shared.errors import FileError

Array = NDArray[np.float64]

#: A curve needs this many levels: fewer leave nothing to check the bend with.
MIN_LEVELS = 4


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


class _Fit:
    """One analyte's standards on one scale; re-solved for a shape until the spectra settle."""

    def __init__(self, standards: Sequence[StandardObservation], scale: Scale) -> None:
        self.standards = standards
        self.scale = scale
        self.x = scale.position(np.array([s.value for s in standards]))
        self.levels, self.level_of = np.unique([s.value for s in standards], return_inverse=True)
        h = np.array([s.pad.response.mean for s in standards])
        self.h = h[:, :, 1:].reshape(-1, h.shape[2] - 1)
        self.residual = (np.array([s.pad.signal for s in standards]) - h[:, :, 0]).ravel()
        self.weights = np.zeros((len(standards), self.h.shape[1]))
        self.slope = np.zeros_like(self.weights)

    def solve(self, shape: Shape, rounds: int = 1) -> None:
        """Settle the process for a shape; the noise depends on the spectra, hence the rounds."""
        self.shape = shape
        signal = self._kernel(self.x, self.x)
        prior = (self.h * PRIOR_VARIANCE) @ self.h.T * np.kron(signal, np.ones((3, 3)))
        for _ in range(rounds):
            self.inverse = np.linalg.inv(prior + self._noise(shape))
            self.alpha = self.inverse @ self.residual
            self.weights = self.at(self.x)
            step = 1e-3
            self.slope = (self.at(self.x + step) - self.at(self.x - step)) / (2 * step)

    def _kernel(self, x: Array, y: Array) -> Array:
        gap = x[:, None] - y
        s = self.shape
        bent = s.bend**2 * np.exp(-0.5 * (gap / s.length) ** 2)
        return np.asarray(PRIOR_SD**2 * (1.0 + s.slope**2 * x[:, None] * y + bent))

    def _noise(self, shape: Shape) -> Array:
        n = len(self.standards)
        noise = np.zeros((n, 3, n, 3))
        load = load_derivative(self.weights)
        for i, s in enumerate(self.standards):
            h = s.pad.response.mean[:, 1:]
            strip = h @ load[i] * shape.load
            level = h @ self.slope[i] * self._position_u(s)
            noise[i, :, i] = (
                s.pad.pixel + s.pad.field + np.outer(strip, strip) + np.outer(level, level)
                + np.diag(s.pad.response.variance(s.pad.response.correction, self.weights[i])) + 1e-8 * np.eye(3)
            )
        for light in {s.light for s in self.standards}:
            members = [i for i, s in enumerate(self.standards) if s.light == light]
            seen = augmented(self.weights[members])
            common = np.mean([self.standards[i].pad.response.mismatch for i in members], axis=0)
            for c in range(3):
                noise[np.ix_(members, [c], members, [c])] += (seen @ common[c] @ seen.T)[:, None, :, None]
        return noise.reshape(3 * n, 3 * n)

    def _position_u(self, s: StandardObservation) -> float:
        low, high = self.scale.position(np.clip([s.value - s.u, s.value + s.u], self.scale.low, self.scale.high))
        return float(high - low) / 2

    def _cross(self, x: Array) -> Array:
        k = self._kernel(x, self.x)
        return np.asarray(k[:, None, :, None] * (PRIOR_VARIANCE[:, None] * self.h.T).reshape(1, -1, len(self.x), 3))

    def at(self, x: Array) -> Array:
        """Posterior mean of the coefficients at positions ``(n,)``, shape ``(n, 12)``."""
        cross = self._cross(x)
        return np.asarray(cross.reshape(*cross.shape[:2], -1) @ self.alpha)

    def covariance_at(self, x: Array) -> Array:
        """Posterior covariance of the coefficients at positions ``(n,)``, shape ``(n, 12, 12)``."""
        cross = self._cross(x).reshape(len(x), self.h.shape[1], -1)
        prior = np.diag(self._kernel(x, x))[:, None, None] * np.diag(PRIOR_VARIANCE)
        return prior - cross @ self.inverse @ cross.transpose(0, 2, 1)

    @property
    def evidence(self) -> float:
        """Log marginal likelihood of the standards under the shape."""
        return float(-0.5 * self.residual @ self.alpha + 0.5 * np.linalg.slogdet(self.inverse)[1])

    @property
    def left_out(self) -> float:
        """Mean log density of a whole level's signals, predicted from all other levels.

        Rasmussen and Williams, eqs. 5.10-5.12, for groups. The end levels are left in: without them the
        curve would have to be extended, not interpolated.
        """
        total = 0.0
        for level in range(1, len(self.levels) - 1):
            rows = (3 * np.flatnonzero(self.level_of == level)[:, None] + np.arange(3)).ravel()
            precision = self.inverse[np.ix_(rows, rows)]
            error = np.linalg.solve(precision, self.alpha[rows])
            total += -0.5 * error @ precision @ error + 0.5 * np.linalg.slogdet(precision)[1]
        return float(total / (len(self.levels) - 2))


def _improve(fit: _Fit, shape: Shape) -> Shape:
    """Climb the evidence one number of the shape at a time; two sweeps of steps suffice."""
    fit.solve(shape)
    best = fit.evidence
    for step in _STEPS:
        for name, (low, high) in _BOUNDS.items():
            for factor in (step, 1 / step):
                while low <= (trial := getattr(shape, name) * factor) <= high:
                    fit.solve(replace(shape, **{name: trial}))
                    if fit.evidence <= best + 0.01:
                        break
                    best, shape = fit.evidence, replace(shape, **{name: trial})
    return shape


def _lab_seen(fit: _Fit) -> Array:
    """CIELAB (n, 3) of each standard as its own photograph shows it, the fitted spectrum being the expectation.

    Wiener estimation: what the three signals add to the expected spectrum, weighed against their noise.
    """
    prior = PRIOR_SD**2 * PRIOR_VARIANCE
    rows = []
    for s, weights in zip(fit.standards, fit.weights, strict=True):
        h = s.pad.response.mean[:, 1:]
        gain = prior[:, None] * h.T @ np.linalg.inv(h * prior @ h.T + s.pad.pixel + s.pad.field + 1e-6 * np.eye(3))
        seen = weights + gain @ (s.pad.signal - s.pad.response.signal(weights))
        rows.append(xyz_to_lab(np.maximum(augmented(seen) @ XYZ_FRAME.T, 1e-4)))
    return np.array(rows)


def _level_rows(fit: _Fit) -> tuple[Level, ...]:
    """What the table of a calibration shows for each level."""
    rows = []
    shown = _lab_seen(fit)
    for i, value in enumerate(fit.levels):
        mine = fit.level_of == i
        lab = xyz_to_lab(augmented(fit.weights[mine][0]) @ XYZ_FRAME.T)
        middle = shown[mine].mean(axis=0)
        rows.append(Level(
            value=float(value), n=int(mine.sum()), lab=(float(lab[0]), float(lab[1]), float(lab[2])),
            repeatability=float(np.sqrt(((shown[mine] - middle) ** 2).sum() / max(1, mine.sum() - 1))),
            residual=float(np.linalg.norm(middle - lab))))
    return tuple(rows)


def fit_curve(analyte: str, unit: str, standards: Sequence[StandardObservation]) -> Curve:
    """The curve of one analyte from the standards that certify it.

    Raises FileError when there are too few levels to draw a curve through.
    """
    values = sorted({s.value for s in standards})
    if len(values) < MIN_LEVELS:
        raise FileError(
            "too few levels for a curve", where=f"standards, {analyte}", found=f"{len(values)} levels",
            allowed=f"{MIN_LEVELS} or more", remedy="photograph more standard solutions of this analyte")
    shape = Shape()
    trials = []
    for scale in candidates(values[0], values[-1]):
        fit = _Fit(standards, scale)
        fit.solve(shape, rounds=3)
        trials.append((fit.left_out, fit))
    fit = max(trials, key=lambda t: t[0])[1]
    fit.solve(_improve(fit, shape), rounds=3)
    nodes = np.linspace(0.0, 1.0, N_NODES)
    return Curve(
        analyte=analyte, unit=unit, scale=fit.scale, load_sd=fit.shape.load, left_out=fit.left_out,
        weights=tuple(tuple(map(float, row)) for row in fit.at(nodes)),
        covariance=lower_triangles(fit.covariance_at(nodes)), levels=_level_rows(fit),
    )
