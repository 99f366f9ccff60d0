"""Noise of the standards' photographs: that of each photograph, and the errors that photographs share.

The fitted tone curve and the learned response err alike in all photographs of one camera, and the response also in
all photographs under one lamp, so that more photographs of the same kind do not average these errors out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.observation import StandardObservation
from calibration.reflectance import augmented

Array = NDArray[np.float64]

#: What a fitted tone curve leaves of a camera's own: relative error of the light at one brightness, the same in all
#: its photographs, and how far in encoded brightness (0 to 1) errors are alike.
TONE_U, TONE_REACH = 0.006, 0.15
#: Encoded brightness is about this power of light (IEC 61966-2-1).
_ENCODING = 1 / 2.2
#: What arithmetic needs on a diagonal to stay positive; signals of paper are 1.
_JITTER = 1e-8


@dataclass(frozen=True, slots=True)
class GivenNoise:
    """Covariances that the photographs bring along.

    ``signal`` (n, 3) of the pads with the covariance ``measured`` (n, 3, 3); ``correction`` (n, 3, 13, 13); ``tone``
    (n, 3, n, 3) of the cameras' tone curves; ``camera`` (n, 3, 13, r): the part of the mismatch that photographs of
    the same camera, 1 in ``cameras`` (n, n), share; ``lights``: members (k,) of each light and the rest of the
    mismatch (3, 13, 13), common to them.
    """

    signal: Array
    measured: Array
    correction: Array
    tone: Array
    camera: Array
    cameras: Array
    lights: tuple[tuple[NDArray[np.int64], Array], ...]

    @classmethod
    def of(cls, standards: Sequence[StandardObservation]) -> GivenNoise:
        """Noise of the photographs of one analyte's standards."""
        named = np.array([s.light for s in standards])
        rest = np.array([s.pad.response.lamp for s in standards])
        cameras = same([s.camera for s in standards])
        lights = [(np.flatnonzero(named == name), rest[named == name].mean(axis=0)) for name in np.unique(named)]
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

    def common(self, weights: Array) -> Array:
        """Covariance (n, 3, n, 3) that photographs of one camera and of one light have in common."""
        seen = augmented(weights)
        out = self.tone.copy()
        loading = np.einsum("ni,ncir->cnr", seen, self.camera, optimize=True)
        for c in range(3):
            out[:, c, :, c] += loading[c] @ loading[c].T * self.cameras
            for members, rest in self.lights:
                out[members[:, None], c, members, c] += seen[members] @ rest[c] @ seen[members].T
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
