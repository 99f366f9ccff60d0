"""Drift of treated water since the last renewal, and the day on which it leaves its limits, also by capacity alone."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from functools import cache
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from assess.treatment.unit import Kind
from assess.treatment.upkeep import STEEPNESS, U_CAPACITY
from calibration.statistics.change import run_length, two_sided
from calibration.statistics.least_squares import fit_correlated, predicted, straight
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.monitoring.trend.breakthrough import SHAPES, Breakthrough, EffluentSeries, breakthrough
from stripread.monitoring.trend.change_points import Segment
from stripread.monitoring.trend.series import Series

#: Fraction of the removed analyte that passes at exhaustion, where no limit decides. Common practice, no source.
EXHAUSTED_FRACTION: Final = 0.5
#: Days of a month; also the prediction horizon.
_MONTH: Final = 30.0


class Slope(msgspec.Struct, frozen=True, kw_only=True):
    """Change in 30 days with its 95 % interval, in the analyte's unit.

    ``reading``: predicted reading on the day ``on`` at this rate, with its 95 % prediction interval.
    """

    per_month: float
    low: float
    high: float
    on: date
    reading: float
    reading_low: float
    reading_high: float


def slope(life: Series) -> Slope:
    """Return the slope of a line through all values. Raises ValueError for fewer than two days with readings."""
    months = life.days / _MONTH
    fitted = fit_correlated(straight(months), life.measured)
    rate, u_rate = float(fitted.coefficients[1]), float(fitted.u[1])
    ahead = np.array([1.0, months[-1] + 1.0])
    u = float(np.sqrt(life.measured.covariance(fitted.at(ahead)[0])[-1, -1]))
    reading, low, high = predicted(fitted, ahead, u=u)
    reading, low, high = (ANALYTES[life.analyte].within(x) for x in (reading, low, high))
    return Slope(per_month=rate, low=rate - Z95 * u_rate, high=rate + Z95 * u_rate, reading=reading, reading_low=low,
                 reading_high=high, on=(life.at[-1] + timedelta(days=_MONTH)).date())


Array = NDArray[np.float64]

#: Analytes that a treatment removes until exhaustion and that strips measure. Membranes have no breakthrough.
REMOVED_ANALYTES: Final[dict[Kind, tuple[str, ...]]] = {
    "weak-acid-exchange": ("alkalinity", "hardness"),
    "sodium-softening": ("hardness",),
    "carbon-filter": ("chlorine",),
}
#: Minimum number of readings since the renewal.
LEAST_READINGS: Final = 4
#: Smallest share of the removed analyte at which a limit decides, and of what remains.
LEAST_SHARE: Final = 0.05
#: Maximum days ahead of a predicted date: use changes over longer times.
FARTHEST_DAYS: Final = 365.0
#: Mean number of readings between false alarms, both directions together.
READINGS_TO_FALSE_ALARM: Final = round(two_sided(run_length(0.0), run_length(0.0)))


class Exhaustion(msgspec.Struct, frozen=True, kw_only=True):
    """Date at which treated water leaves its limits, with its 95 % interval; it may be in the past.

    ``share`` of the removed analyte that passes then; ``limit`` of the analyte, None: half of it passes.
    """

    on: date
    earliest: date
    latest: date
    share: float = EXHAUSTED_FRACTION
    limit: float | None = None


class Drift(msgspec.Struct, frozen=True, kw_only=True):
    """Drift since the renewal at ``since``: ``alarm``, date of the reading at which the CUSUM signals, and ``onset``.

    ``exhaustion`` None: not predicted, with the reason in ``why``. ``slope``: rate of a drift without exhaustion.
    """

    since: datetime
    readings: int
    alarm: date | None = None
    direction: Literal["rising", "falling"] | None = None
    onset: date | None = None
    exhaustion: Exhaustion | None = None
    slope: Slope | None = None
    why: str = ""

    @property
    def enough(self) -> bool:
        """Whether there are enough readings to detect a drift."""
        return self.readings >= LEAST_READINGS


class FittedBand(msgspec.Struct, frozen=True, kw_only=True):
    """Breakthrough curve: median and 95 % prediction interval of single readings, by day."""

    on: tuple[datetime, ...]
    value: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


def has_risen(life: Series) -> bool:
    """Return whether the CUSUM signals a rise."""
    return life.cusum.first is not None and life.cusum.upwards


def drift(
    life: Series, since: datetime, *, mains: Segment | None, removes: bool, limit: float | None = None
) -> tuple[Drift, Breakthrough | None]:
    """Return the drift of the values since a renewal, and the breakthrough curves if they were fitted.

    ``limit`` of the analyte in treated water; None: exhaustion is the passing of half of it.
    """
    if len(life) < LEAST_READINGS:
        return Drift(since=since, readings=len(life), why=f"{LEAST_READINGS} readings are needed, {len(life)} exist"
                     ), None
    alarm = _alarm(life, since)
    if not removes:
        return msgspec.structs.replace(alarm, slope=slope(life) if alarm.alarm else None), None
    if mains is None:
        return msgspec.structs.replace(alarm, why="the mains at this site has no reading, so the final level of the "
                                       "rise is unknown"), None
    first = float(np.median(life.value[:LEAST_READINGS]))
    if mains.value - first < 3 * mains.u:
        return msgspec.structs.replace(alarm, why="the first readings of the treated water are not below the mains"
                                       ), None
    curves = breakthrough(EffluentSeries(life.days_since(since), life.measured, mains=(mains.value, mains.u)))
    return _dated(alarm, curves, life.at[-1], _share(limit, first, mains.value)), curves


def _share(limit: float | None, first: float, mains: float) -> tuple[float, float | None]:
    """Return the share that passes when treated water reaches its limit, and the limit; half and None without one.

    Water that is beyond its limit from the start, or below it even untreated, has no such share.
    """
    share = EXHAUSTED_FRACTION if limit is None else (limit - first) / (mains - first)
    usable = limit is not None and LEAST_SHARE <= share <= 1.0 - LEAST_SHARE
    return (share, limit) if usable else (EXHAUSTED_FRACTION, None)


def fitted_band(curves: Breakthrough, life: Series, since: datetime, until: datetime) -> FittedBand:
    """Return the prediction band from the renewal until a time, for a plot."""
    days = np.linspace(0.0, (until - since).total_seconds() / 86400.0, 60)
    u = float(np.median(np.hypot(life.scatter * life.u_own, life.u_common)))
    middle, low, high = (tuple(v.tolist()) for v in curves.band(days, u))
    return FittedBand(on=tuple(since + timedelta(days=d) for d in days.tolist()), value=middle, low=low, high=high)


def _alarm(life: Series, since: datetime) -> Drift:
    sums = life.cusum
    drift_ = Drift(since=since, readings=len(life))
    if sums.first is None:
        return drift_
    return msgspec.structs.replace(drift_, alarm=life.at[sums.first + 1].date(), onset=life.at[sums.onset + 1].date(),
                                   direction="rising" if sums.upwards else "falling")


def _dated(drift_: Drift, curves: Breakthrough, last: datetime, at: tuple[float, float | None]) -> Drift:
    """Return the drift with the date of exhaustion, if there is a rise and the date is near enough."""
    share, limit = at
    earliest, middle, latest = ((drift_.since + timedelta(days=days)).date()
                                for days in curves.exhausted(share, (0.025, 0.5, 0.975)))
    ahead = (latest - last.date()).days
    if drift_.direction != "rising" or ahead > FARTHEST_DAYS:
        why = "no rise is distinguishable from the scatter of the readings yet" if drift_.direction != "rising" else (
            "the rise is too recent to be extrapolated")
        return msgspec.structs.replace(drift_, why=why)
    return msgspec.structs.replace(drift_, exhaustion=Exhaustion(
        on=middle, earliest=earliest, latest=latest, share=share, limit=limit))


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
