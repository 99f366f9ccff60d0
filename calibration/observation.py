"""Observation of one pad in one photograph: three camera signals and the learned response of camera and light."""

from __future__ import annotations

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


@dataclass(frozen=True, slots=True)
class PadObservation:
    """Linear signals (3,) of a pad relative to the card's paper next to it, and their uncertainty.

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
