"""Invented dyes of the pads and cameras: smooth spectra, a colour matrix and a tone curve.

The tone curve is of another family than the ones that the evaluation of photographs fits.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Wavelengths of all spectra here, nm.
NM: Final[Array] = np.arange(400.0, 701.0, 5.0)
#: Relative scatter of dye from strip to strip, and the K/S of the bare pad (reflectance 0.9).
LOAD_SD: Final = 0.02
BARE: Final = 0.1**2 / (2 * 0.9)


def bump(middle: float, width: float) -> Array:
    """Return a band (61,) of height 1 over the wavelengths; ``middle`` and ``width`` in nm."""
    return np.asarray(np.exp(-0.5 * ((NM - middle) / width) ** 2))


@dataclass(frozen=True)
class Indicator:
    """A pad: K/S (61,) of its dye when nothing and when everything is bound, and the share bound at a value."""

    free: Array
    bound: Array
    share: Callable[[float], float]
    levels: tuple[float, ...]

    def reflectance(self, value: float, load: float = 1.0) -> Array:
        """Return the reflectance (61,) of the pad at a value, with ``load`` times the usual dye."""
        share = self.share(value)
        k = BARE + load * ((1 - share) * self.free + share * self.bound)
        return np.asarray(1 + k - np.sqrt(k * (k + 2)))


def _binding(half: float) -> Callable[[float], float]:
    return lambda value: value / (value + half)


#: One indicator an analyte, its levels those of a lab's usual series.
INDICATORS: Final = {
    "hardness": Indicator(1.1 * bump(610, 45) + 0.25 * bump(430, 40), 0.9 * bump(525, 40) + 0.2 * bump(420, 35),
                          _binding(130.0), (0, 15, 30, 50, 75, 110, 160, 230, 320, 425)),
    "alkalinity": Indicator(1.3 * bump(435, 35), 1.0 * bump(615, 50) + 0.35 * bump(425, 30),
                            _binding(90.0), (0, 10, 20, 40, 60, 90, 120, 160, 200, 240)),
    "ph": Indicator(1.2 * bump(435, 40) + 0.05 * bump(560, 40), 1.3 * bump(560, 35),
                    lambda ph: 1 / (1 + 10 ** (7.6 - ph)), (6.0, 6.5, 7.0, 7.4, 7.8, 8.2, 8.6, 9.0)),
    "chloride": Indicator(1.4 * bump(480, 50), 0.25 * bump(440, 45),
                          _binding(120.0), (0, 10, 25, 50, 90, 150, 230, 320, 400, 500)),
    "chlorine": Indicator(0.02 * bump(550, 80), 1.6 * bump(530, 30) + 0.8 * bump(555, 18),
                          _binding(3.0), (0, 0.1, 0.25, 0.5, 0.8, 1.2, 2, 3, 4, 5)),
}


#: Relative scatter of a dye's amount and of the concentration that binds half of it, from batch to batch.
_AMOUNT_SD, _BINDING_SD = 0.03, 0.05


@cache
def indicators(batch: str) -> dict[str, Indicator]:
    """Return the indicators of a batch by analyte; they follow from its name."""
    rng = np.random.default_rng(zlib.crc32(batch.encode()))
    return {analyte: _made(indicator, analyte, rng) for analyte, indicator in INDICATORS.items()}


def _made(usual: Indicator, analyte: str, rng: np.random.Generator) -> Indicator:
    free, bound = 1 + rng.normal(0, _AMOUNT_SD, 2)
    return Indicator(usual.free * free, usual.bound * bound, _shifted(usual.share, analyte, rng.normal(0, _BINDING_SD)),
                     usual.levels)


def _shifted(share: Callable[[float], float], analyte: str, shift: float) -> Callable[[float], float]:
    """Return a binding curve that reaches the same share at another value; for pH a shift in units of pH."""
    return (lambda value: share(value + shift)) if analyte == "ph" else (lambda value: share(value * (1 + shift)))


#: The company's batches in the order of their use.
BATCHES: Final = ("Q-101", "Q-102", "Q-103")


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
