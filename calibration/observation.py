"""Observation of one pad: three camera signals, the learned response of camera and light, and the noise of photographs.

The fitted tone curve and the learned response have a common error in all photographs of one camera, and the response
also in all photographs under one lamp, so that more photographs of the same kind do not average these errors out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.reflectance import PRIOR_MEAN, augmented

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Response:
    """Linear signals of a reflectance in one photograph: ``signal = mean @ (1, w)``.

    ``mean`` (3, 13) over the frame of `calibration.reflectance`; the two covariances (3, 13, 13), one a
    channel: ``correction`` from the patches' noise, ``mismatch`` from what the printed patches do not
    show of camera and lamp (metamerism). ``camera`` (3, 13, r): the part of the mismatch that all photographs of one
    camera share, ``camera @ z`` with unit normal ``z`` of the camera, one set a channel.
    """

    mean: Array
    correction: Array
    mismatch: Array
    camera: Array

    @property
    def lamp(self) -> Array:
        """The rest of the mismatch (3, 13, 13): what photographs under one lamp share."""
        return self.mismatch - self.camera @ self.camera.transpose(0, 2, 1)

    @property
    def white(self) -> Array:
        """Signals (3,) of an even reflectance of 1."""
        return self.mean[:, 0] / PRIOR_MEAN

    def signal(self, weights: Array) -> Array:
        """Expected signals ``(..., 3)`` of coefficients ``(..., 12)``."""
        return augmented(weights) @ self.mean.T

    def variance(self, which: Array, weights: Array) -> Array:
        """Variance of the signals ``(..., 3)`` from ``which`` covariance at coefficients ``(..., 12)``."""
        a = augmented(weights)
        return np.asarray(np.einsum("c...i,...i->...c", a @ which, a))


@dataclass(frozen=True, slots=True, eq=False)
class PadObservation:
    """Linear signals (3,) of a pad relative to the card's paper next to it, and their uncertainty.

    Equal only to itself, so that what follows from it can be kept.

    ``pixel`` (3, 3): noise of the pad's own pixels and of channels that clip. ``field`` (3, 3): the light
    at the pad and the tone curve, known only so well. ``light`` (3, r): the part of it that all pads of the photograph
    share, ``light @ z`` with unit normal ``z`` of the photograph.
    """

    analyte: str
    signal: Array
    pixel: Array
    field: Array
    light: Array
    response: Response


@dataclass(frozen=True, slots=True)
class Triangles:
    """Cholesky factors of covariances (n, 3, 3), written out: NumPy's loop over the matrices takes ten times as long.

    ``a`` to ``f``, each (n,): row by row the lower triangles.
    """

    a: Array
    b: Array
    c: Array
    d: Array
    e: Array
    f: Array

    @classmethod
    def of(cls, covariance: Array) -> Triangles:
        """Of positive definite matrices."""
        a = np.sqrt(covariance[:, 0, 0])
        b, d = covariance[:, 1, 0] / a, covariance[:, 2, 0] / a
        c = np.sqrt(covariance[:, 1, 1] - b * b)
        e = (covariance[:, 2, 1] - b * d) / c
        return cls(a, b, c, d, e, np.sqrt(covariance[:, 2, 2] - d * d - e * e))

    @property
    def log_determinant(self) -> Array:
        """Logarithms (n,) of the determinants of the covariances."""
        return np.asarray(2 * np.log(self.a * self.c * self.f))

    def whitened(self, signals: Array) -> Array:
        """Signals (n, 3) in independent units of their standard deviations, (3, n)."""
        x = signals[:, 0] / self.a
        y = (signals[:, 1] - self.b * x) / self.c
        return np.array([x, y, (signals[:, 2] - self.d * x - self.e * y) / self.f])


@dataclass(frozen=True, slots=True)
class StandardObservation:
    """One pad of one standard's photograph with the value certified for that solution."""

    photo: str
    standard: str
    light: str
    value: float
    u: float
    pad: PadObservation
    camera: str = ""


#: What a fitted tone curve leaves of a camera's own: relative error of the light at one brightness, the same in all
#: its photographs (`tests.bench.tone`: 0.1 to 0.3 %), and how far in encoded brightness (0 to 1) errors are alike.
TONE_U, TONE_REACH = 0.003, 0.15
#: Encoded brightness is about this power of light (IEC 61966-2-1).
_ENCODING = 1 / 2.2
#: What arithmetic needs on a diagonal to stay positive; signals of paper are 1.
_JITTER = 1e-8


@dataclass(frozen=True, slots=True)
class LightMismatch:
    """Mean mismatch (3, 13, 13) of photographs ``members`` (k,) under one light: ``whole``, and the lamp's alone."""

    members: NDArray[np.int64]
    whole: Array
    lamp: Array

    def common(self, seen: Array, level_of: NDArray[np.int64], between: Array) -> Array:
        """Covariance (3, k, k) of the members' signals, of spectra ``seen`` (n, 13) that are themselves estimates.

        The error of the response times that of the spectrum is a term of second order (JCGM 100:2008, 5.1.2, note). It
        follows from the covariance ``between`` (m, 12, m, 12) of the spectra of levels and is taken as common to the
        photographs of one light, not of one camera.
        """
        of, own = level_of[self.members], seen[self.members]
        product = np.einsum("ckl,ikjl->cij", self.whole[:, 1:, 1:], between, optimize=True)
        return np.asarray(own @ self.lamp @ own.T + product[:, of[:, None], of])


@dataclass(frozen=True, slots=True)
class GivenNoise:
    """Covariances that the photographs bring along.

    ``signal`` (n, 3) of the pads with the covariance ``measured`` (n, 3, 3); ``correction`` (n, 3, 13, 13); ``tone``
    (n, 3, n, 3) of the cameras' tone curves; ``camera`` (n, 3, 13, r): the part of the mismatch that photographs of
    the same camera, 1 in ``cameras`` (n, n), share; ``lights``: what photographs under the same light share.
    """

    signal: Array
    measured: Array
    correction: Array
    tone: Array
    camera: Array
    cameras: Array
    lights: tuple[LightMismatch, ...]

    @classmethod
    def of(cls, standards: Sequence[StandardObservation]) -> GivenNoise:
        """Noise of the photographs of one analyte's standards."""
        named = np.array([s.light for s in standards])
        whole, lamp = (np.array([getattr(s.pad.response, part) for s in standards]) for part in ("mismatch", "lamp"))
        cameras = same([s.camera for s in standards])
        lights = [LightMismatch(np.flatnonzero(named == name), whole[named == name].mean(axis=0),
                                lamp[named == name].mean(axis=0)) for name in np.unique(named)]
        signal = np.array([s.pad.signal for s in standards])
        return cls(signal, np.array([s.pad.pixel + s.pad.field + _JITTER * np.eye(3) for s in standards]),
                   np.array([s.pad.response.correction for s in standards]),
                   _tone(signal) * cameras[:, None, :, None],
                   np.array([s.pad.response.camera for s in standards]), cameras,
                   tuple(lights))

    def own(self, weights: Array) -> Array:
        """Covariance (n, 3, 3) of each photograph's signals by itself."""
        seen = augmented(weights)
        correction = np.einsum("ni,ncij,nj->nc", seen, self.correction, seen, optimize=True)
        return np.asarray(self.measured + correction[:, :, None] * np.eye(3))

    def common(self, weights: Array, level_of: NDArray[np.int64], between: Array) -> Array:
        """Covariance (n, 3, n, 3) that photographs of one camera and of one light have in common.

        ``weights`` (n, 12) of each photograph's spectrum; ``level_of`` (n,): its level; ``between`` (m, 12, m, 12):
        covariance of the spectra of levels.
        """
        seen = augmented(weights)
        out = self.tone.copy()
        loading = np.einsum("ni,ncir->cnr", seen, self.camera, optimize=True)
        for c in range(3):
            out[:, c, :, c] += loading[c] @ loading[c].T * self.cameras
        for light in self.lights:
            for c, common in enumerate(light.common(seen, level_of, between)):
                out[light.members[:, None], c, light.members, c] += common
        return out


def _tone(signal: Array) -> Array:
    """Covariance (n, 3, n, 3) of signals (n, 3) seen through one tone curve."""
    light = np.maximum(signal.ravel(), 0.0)
    apart = light[:, None] ** _ENCODING - light**_ENCODING
    alike = TONE_U**2 * light[:, None] * light * np.exp(-0.5 * (apart / TONE_REACH) ** 2)
    return alike.reshape(*signal.shape, *signal.shape)


def same(names: Sequence[str]) -> Array:
    """1 where two names are the same, else 0, (n, n)."""
    column = np.array(names)
    return np.asarray(column[:, None] == column, dtype=np.float64)


def flat(covariance: Array) -> Array:
    """(n, 3, n, 3) as (3n, 3n)."""
    n = 3 * len(covariance)
    return covariance.reshape(n, n)


def outer(v: Array) -> Array:
    """Products (..., n, n) of vectors (..., n) with themselves."""
    return np.asarray(v[..., :, None] * v[..., None, :])
