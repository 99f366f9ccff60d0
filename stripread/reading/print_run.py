"""How the colours of an unmeasured print run may differ from the design.

Dots of ink spread on the paper (dot gain), each ink's by an amount of its own that all patches share: black dims the
greys, cyan, magenta and yellow the red, green and blue thirds of the spectrum. What else differs from patch to patch
is independent. A design colour at an end of sRGB represents one beyond it that sRGB cannot express.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.spectra import WAVELENGTHS_NM

Array = NDArray[np.float64]

#: Dot gain at half coverage, from one print run to another: ISO 12647-2 names curves from 13 to 28 % for its printing
#: conditions and allows 4 % within one.
DOT_GAIN_SD = 0.08
#: The same for each patch by itself, and reflectance in a third of the spectrum where the design is at an end of sRGB.
OWN_GAIN_SD, BEYOND_SRGB_SD = 0.03, 0.05
#: Where one third of the spectrum passes into the next, and over what width, nm.
_BORDERS, _PASSAGE = (490.0, 590.0), 15.0


@dataclass(frozen=True, slots=True)
class RunToRun:
    """``shared`` (m, n, 31): change of the n reflectances for one standard deviation of each way all differ in.

    ``own`` (k, n, 31): the same for ways in which each patch differs independently of the others.
    """

    shared: Array
    own: Array


def run_to_run(ratio: Array, neutral: NDArray[np.bool_], srgb: Array) -> RunToRun:
    """For reflectances relative to the paper (n, 31), which of them are grey (n,), and design colours (n, 3) of 255."""
    thirds = _thirds()
    # Murray and Davies: paper and ink share the area, and the edge of a dot is longest at half coverage.
    spread = -4 * ratio * (1 - ratio)
    inks = spread * thirds[:, None] * ~neutral[:, None]
    black = spread * neutral[:, None]
    beyond = thirds[:, None] * ((srgb <= 0) | (srgb >= 255)).T[..., None]
    return RunToRun(shared=DOT_GAIN_SD * np.stack([*inks, black]),
                    own=np.concatenate([OWN_GAIN_SD * spread * thirds[:, None], BEYOND_SRGB_SD * beyond]))


def _thirds() -> Array:
    """The red, green and blue thirds (3, 31) of the spectrum; they sum to 1."""
    first, second = (1 / (1 + np.exp((WAVELENGTHS_NM - border) / _PASSAGE)) for border in _BORDERS)
    return np.array([1 - second, second - first, first])
