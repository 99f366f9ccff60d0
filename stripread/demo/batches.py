"""Strip batches: the dyes of each differ a little in amount and in how strongly they bind."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from functools import cache
from typing import Final

import numpy as np

from stripread.demo.dyes import INDICATORS, Indicator

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
