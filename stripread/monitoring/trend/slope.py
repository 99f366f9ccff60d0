"""How fast a drifting water moves, where no end is to be foretold: a straight line through its readings."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Final

import msgspec
import numpy as np

from calibration.statistics.correlated import fit_correlated, predicted
from calibration.statistics.least_squares import straight
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.monitoring.trend.series import Series

#: Days of a month, and how far ahead a reading is foretold.
_MONTH: Final = 30.0


class Slope(msgspec.Struct, frozen=True, kw_only=True):
    """Change in 30 days with its 95 % interval, in the analyte's unit.

    ``reading``: what will be read on the day ``on`` if it goes on so, with its 95 % prediction interval.
    """

    per_month: float
    low: float
    high: float
    on: date
    reading: float
    reading_low: float
    reading_high: float


def slope(life: Series) -> Slope:
    """The line through all values. Raises ValueError for fewer than two days with readings."""
    months = life.days / _MONTH
    fitted = fit_correlated(straight(months), life.measured)
    rate, u_rate = float(fitted.coefficients[1]), float(fitted.u[1])
    ahead = np.array([1.0, months[-1] + 1.0])
    u = float(np.sqrt(life.measured.covariance(fitted.at(ahead)[0])[-1, -1]))
    reading, low, high = predicted(fitted, ahead, u=u)
    reading, low, high = (ANALYTES[life.analyte].within(x) for x in (reading, low, high))
    return Slope(per_month=rate, low=rate - Z95 * u_rate, high=rate + Z95 * u_rate, reading=reading, reading_low=low,
                 reading_high=high, on=(life.at[-1] + timedelta(days=_MONTH)).date())
