"""Breakthrough of an ion exchanger: its removal falls near the end of its capacity, and hardness leaks."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from assess.interval import Interval, interval
from assess.treatment.levels import Kind
from shared.water import Vector, Water

#: Range of the steepness of breakthrough: about the inverse of the share of a unit's life that the rise takes.
#: Common practice, no source.
STEEPNESS: Final = (3.0, 40.0)
#: Relative standard uncertainty of a stated capacity. Common practice, no source.
U_CAPACITY: Final = 0.2
#: Resins whose exhaustion shows as hardness.
_HARDNESS_RISES: Final[tuple[Kind, ...]] = ("weak-acid-exchange", "sodium-softening")
#: Shares of the median life at which the leakage curve is stated.
_SHARES: Final = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5)


class LeakagePoint(msgspec.Struct, frozen=True, kw_only=True):
    """Total hardness of the treated water (mg/L CaCO3) after ``litres`` were delivered."""

    litres: float
    hardness: Interval


def lost_removal(used: Vector, steepness: Vector | float) -> Vector:
    """Return the share of its removal that a unit has lost when a share of its capacity is used: a logistic curve.

    Yoon and Nelson, Am. Ind. Hyg. Assoc. J. 45:509, 1984.
    """
    return np.asarray(1.0 / (1.0 + np.exp(-steepness * (used - 1.0))))


def leakage_curve(kind: Kind, litres: Vector, *, feed: Water, treated: Water) -> tuple[LeakagePoint, ...]:
    """Return the treated hardness over the life of a resin; empty where exhaustion does not show as hardness.

    ``litres``: draws of the volume to exhaustion; ``treated``: water of the fresh resin. The steepness is the
    geometric mean of its range.
    """
    if kind not in _HARDNESS_RISES or not np.all(np.isfinite(litres)):
        return ()
    steepness, middle = float(np.sqrt(STEEPNESS[0] * STEEPNESS[1])), float(np.median(litres))
    removed = feed.hardness - treated.hardness
    return tuple(
        LeakagePoint(litres=share * middle, hardness=interval(
            treated.hardness + removed * lost_removal(share * middle / litres, steepness)))
        for share in _SHARES)
