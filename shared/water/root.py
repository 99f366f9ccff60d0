"""Where a falling function crosses zero, for many waters at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from shared.water.composition import Vector

#: Natural logarithm of the hydrogen ion activity at pH 16 and pH -2: every water lies between.
LOWEST: Final = -16 * float(np.log(10.0))
HIGHEST: Final = 2 * float(np.log(10.0))
#: Newton halves the digits missing: a last step this small leaves an error near its square, and the passes that
#: ask again with the ion pairs anew end only where their own last step is far smaller.
_TOLERANCE: Final = 1e-2
_MOST_STEPS: Final = 100

#: Value and slope of a function at ``u``.
FallingFunction = Callable[[Vector], tuple[Vector, Vector]]


def falling_root(function: FallingFunction, start: Vector) -> Vector:
    """Newton steps from ``start``; one that would leave the bracket halves it instead: none runs away."""
    u = start
    low, high = np.full_like(u, LOWEST), np.full_like(u, HIGHEST)
    for _ in range(_MOST_STEPS):
        value, slope = function(u)
        low, high = np.where(value > 0, u, low), np.where(value < 0, u, high)
        with np.errstate(invalid="ignore", divide="ignore"):
            newton = u - value / slope
        step_stays = (newton >= low) & (newton <= high)
        u, before = np.where(step_stays, newton, 0.5 * (low + high)), u
        if np.abs(u - before).max() < _TOLERANCE:
            break
    return u
