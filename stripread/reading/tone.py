"""The tone curve of a camera's rendering, on encoded values between 0 and 1, and the slopes that a fit of it needs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shared.colour import srgb_decode

Array = NDArray[np.float64]


def tone(u: Array, bends: Array) -> Array:
    """Tone curve on encoded values: an S about the middle, a lift and a shoulder (``bends``); 0 and 1 are fixed."""
    return np.asarray(u + bends_at(u) @ bends)


def bends_at(u: Array) -> Array:
    """The three ways (..., 3) in which the tone curve bends."""
    return (u * (1 - u))[..., None] * np.stack([2 * u - 1, np.ones_like(u), u**3], axis=-1)


def tone_slope(u: Array, bends: Array) -> Array:
    """Slope (...) of the tone curve at encoded values (...), at least 0.1."""
    ways = np.stack([6 * u * (1 - u) - 1, 1 - 2 * u, 4 * u**3 - 5 * u**4], axis=-1)
    return np.maximum(1 + ways @ bends, 0.1)


def linearise(bends: Array) -> Array:
    """Linear light (256,) of each count; where a curve would turn back it stays level."""
    u = np.linspace(0.0, 1.0, 1025)
    rendered = np.maximum.accumulate(tone(u, bends)) + 1e-9 * u
    return srgb_decode(np.interp(np.linspace(0.0, 1.0, 256), rendered, u))


def encode_slope(linear: Array) -> Array:
    """Slope (...) of the encoding of sRGB (IEC 61966-2-1) at linear light (...)."""
    return np.where(linear <= 0.0031308, 12.92, 1.055 / 2.4 * np.maximum(linear, 1e-6) ** (1 / 2.4 - 1))
