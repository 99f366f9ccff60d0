"""Median and 95 % interval of draws."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Final, TypeVar

import msgspec
import numpy as np

from shared.water import Vector

K = TypeVar("K", bound=Hashable)
_LOW_MIDDLE_HIGH: Final = (0.025, 0.5, 0.975)


class Interval(msgspec.Struct, frozen=True, kw_only=True):
    """Median and 95 % interval of a quantity."""

    value: float
    low: float
    high: float


def quantiles(draws: Vector) -> Vector:
    """Return low end, median and high end, shape (3, ...), of draws (..., n). One call for many is faster."""
    return np.asarray(np.quantile(draws, _LOW_MIDDLE_HIGH, axis=-1))


def interval(draws: Vector) -> Interval:
    """Return median and interval of draws (n,)."""
    low, value, high = quantiles(draws).tolist()
    return Interval(value=value, low=low, high=high)


def intervals(draws: Mapping[K, Vector]) -> dict[K, Interval]:
    """Return median and interval of each quantity's draws, all (n,)."""
    found = quantiles(np.stack(list(draws.values())))
    return {key: Interval(value=value, low=low, high=high)
            for key, (low, value, high) in zip(draws, found.T.tolist(), strict=True)}
