"""Day on which treated water leaves its limits, predicted from the capacity of a unit before any rise is seen."""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from assess.treatment.upkeep import STEEPNESS, U_CAPACITY
from stripread.monitoring.trend.breakthrough import SHAPES

Array = NDArray[np.float64]

#: Relative standard uncertainties of the flow per day and of the feed water's load. Common practice, no source.
_U_FLOW, _U_LOAD = 0.1, 0.08
#: Share of the removed analyte that passes from which readings show a rise.
_NOTICED: Final = 0.25
_QUANTILES: Final = 81
_STEEPS: Final = 9


def days_to_share(half_days: float, share: float, unchanged_until: float = 0.0) -> tuple[float, float, float]:
    """Return the days after renewal until the fraction ``share`` passes: median and 95 % interval (median, low, high).

    ``half_days`` until half passes, from capacity, feed water and flow. ``unchanged_until``: day of the last reading
    that shows no rise, 0 without enough readings; it excludes units that would have risen by then.
    """
    factor, steep = _grid()
    half = half_days * factor
    days = half * (1.0 + SHAPES[0].place(share) / steep)
    passed = SHAPES[0].passes(steep * (unchanged_until / half - 1.0))
    weight = np.where(passed < _NOTICED, 1.0, 0.0) if unchanged_until > 0 else np.ones_like(days)
    if weight.sum() < 1.0:
        weight = 1.0 - passed + 1e-6
    order = np.argsort(days)
    places = np.cumsum(weight[order]) - weight[order] / 2
    middle, low, high = np.interp([0.5, 0.025, 0.975], places / weight.sum(), days[order])
    return float(middle), float(low), float(high)


@cache
def _grid() -> tuple[Array, Array]:
    """Return factors of the half-time, equally probable, and steepnesses, as flat arrays of all pairs."""
    from scipy.special import ndtri

    spread = float(np.sqrt(U_CAPACITY**2 + _U_FLOW**2 + _U_LOAD**2))
    z = ndtri((np.arange(_QUANTILES) + 0.5) / _QUANTILES)
    steep = np.geomspace(STEEPNESS[0], STEEPNESS[1], _STEEPS)
    factor, steeps = np.meshgrid(np.exp(spread * z), steep, indexing="ij")
    return factor.ravel(), steeps.ravel()
