"""Invented dyes of the pads, and the strip batches made with them."""

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
