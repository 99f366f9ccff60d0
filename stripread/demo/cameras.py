"""Invented cameras: random smooth sensitivities with a colour matrix and a tone curve.

The tone curve is of another family than the ones that the evaluation of photographs fits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripread.demo.dyes import bump

Array = NDArray[np.float64]
Rng = np.random.Generator


@dataclass(frozen=True)
class Camera:
    """``seen`` (61, 3): sensitivities in red, green, blue; ``matrix`` (3, 3) to its output; ``tone`` of its S curve."""

    seen: Array
    matrix: Array
    tone: float


def random_camera(rng: Rng) -> Camera:
    """Return a camera with bands of random place, width and skew; its matrix removes part of their overlap."""
    bands = ((600, 34, 450), (538, 38, 620), (460, 28, 560))  # middle, width, middle of a weak second band, nm
    seen = np.column_stack([
        bump(rng.normal(middle, 6), rng.normal(width, 4)) + rng.uniform(0.0, 0.12) * bump(rng.normal(second, 20), 40)
        for middle, width, second in bands])
    taken = np.array([[0, -0.30, -0.05], [-0.15, 0, -0.20], [-0.02, -0.25, 0]]) * rng.uniform(0.5, 1.5, (3, 3))
    return Camera(seen, taken + np.diag(1 - taken.sum(axis=1)), rng.uniform(2.0, 4.0))


def srgb(linear: Array) -> Array:
    """Return encoded sRGB of linear light (IEC 61966-2-1), clipped to 0 to 1."""
    v = np.clip(linear, 0.0, 1.0)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


def s_curve(u: Array, strength: float) -> Array:
    """Return a logistic S through 0 and 1."""
    ends = np.tanh(strength / 4)
    return np.asarray(0.5 + 0.5 * np.tanh(strength / 2 * (u - 0.5)) / ends)


@dataclass(frozen=True)
class Exposure:
    """A photograph under one lamp: ``gain`` (3,) makes paper grey up to white balance, ``slope`` (2, 3) the light's.

    ``bend``: curvature of the light's fall over the card.
    """

    camera: Camera
    power: Array
    gain: Array
    slope: Array
    bend: float

    def linear(self, reflectance: Array) -> Array:
        """Return linear camera output (n, 3) of reflectances (n, 61), before light falls off."""
        raw = (reflectance * self.power) @ self.camera.seen
        return np.asarray((raw * self.gain) @ self.camera.matrix.T)

    def log_light(self, places: Array) -> Array:
        """Return the log of the light (n, 3) at places (n, 2), -1 to 1 over the card."""
        return np.asarray(places @ self.slope + self.bend * (places**2).sum(axis=1, keepdims=True))

    def encoded(self, linear: Array) -> Array:
        """Return the encoded output, 0 to 1, of linear light."""
        return s_curve(srgb(linear), self.camera.tone)


def expose(one: Camera, power: Array, paper: Array, rng: Rng) -> Exposure:
    """Return a photograph whose ``paper`` (61,) comes to 50 to 75 % of full light, its white balance off by some 3 %.

    ``power`` (61,): of the lamp.
    """
    raw = (paper * power) @ one.seen
    gain = rng.uniform(0.50, 0.75) * rng.normal(1.0, 0.03, 3) / raw
    slope = rng.normal(0, 0.10, (2, 1)) + rng.normal(0, 0.004, (2, 3))
    return Exposure(one, power, gain, slope, rng.normal(0, 0.03))
