"""The water behind a treatment since it was renewed: whether it drifts, and when the treatment will be spent."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from assess.treatment.levels import Kind
from calibration.statistics.correlated import fit_correlated, predicted
from calibration.statistics.cusum import Cusum, cusum, run_length, two_sided
from calibration.statistics.least_squares import straight
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.monitoring.trend.breakthrough import Breakthrough, EffluentSeries, breakthrough
from stripread.monitoring.trend.change_points import Segment
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


Array = NDArray[np.float64]

#: What a kind of treatment holds back until it is spent, as far as strips can see it. Membranes do not end so.
HELD_BACK: Final[dict[Kind, tuple[str, ...]]] = {
    "weak-acid-exchange": ("alkalinity", "hardness"),
    "sodium-softening": ("hardness",),
    "carbon-filter": ("chlorine",),
}
#: Readings since the renewal below which nothing is said.
LEAST_READINGS: Final = 4
#: Share of what it held back that a spent treatment lets through. Common practice, no source.
SPENT_SHARE: Final = 0.5
#: A date farther ahead than so many days is not told: use changes.
FARTHEST_DAYS: Final = 365.0
#: Mean number of readings between two false alarms, of both directions together.
READINGS_TO_FALSE_ALARM: Final = round(two_sided(run_length(0.0), run_length(0.0)))


class Exhaustion(msgspec.Struct, frozen=True, kw_only=True):
    """When half of what the treatment held back will pass, or did: a day and its 95 % interval."""

    on: date
    earliest: date
    latest: date


class Drift(msgspec.Struct, frozen=True, kw_only=True):
    """Since the renewal at ``since``: ``alarm``, the day of the reading at which the CUSUM gave it, and ``onset``.

    ``exhaustion`` None: not told, and ``why``. ``slope``: of a drift that foretells no end.
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
        """Whether enough was read for a drift to be seen."""
        return self.readings >= LEAST_READINGS


class FittedBand(msgspec.Struct, frozen=True, kw_only=True):
    """The curve behind a treatment: median and 95 % prediction interval of single readings, on days."""

    on: tuple[datetime, ...]
    value: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


def run_cusum(life: Series) -> Cusum:
    """The CUSUM of the values, each against the mean of those before it, new batches allowed for.

    Such residuals are independent and of unit variance while the water stays (Brown, Durbin and Evans, J. R. Stat.
    Soc. B 37:149, 1975; as a CUSUM: Hawkins, The Statistician 36:299, 1987). That of the first reading is left out.
    """
    # Of unchanged water, which most readings saw even where it rose since.
    unchanged = life.measured.covariance(float(np.median(life.value)))
    wide = 1e4 * float(np.sqrt(unchanged.diagonal().max()))
    root = np.linalg.cholesky(unchanged + wide**2)
    return cusum(np.linalg.solve(root, life.value - life.value[0])[1:])


def has_risen(life: Series) -> bool:
    """Whether the CUSUM tells of a rise."""
    sums = run_cusum(life)
    return sums.first is not None and sums.upwards


def drift(
    life: Series, since: datetime, *, mains: Segment | None, holds_back: bool
) -> tuple[Drift, Breakthrough | None]:
    """What the values since a renewal tell, and the curves behind it."""
    if len(life) < LEAST_READINGS:
        return Drift(since=since, readings=len(life), why=f"it takes {LEAST_READINGS} readings, there are "
                     f"{len(life)}"), None
    found = _alarm(life, since)
    if not holds_back:
        return msgspec.structs.replace(found, slope=slope(life) if found.alarm else None), None
    if mains is None:
        return msgspec.structs.replace(found, why="the mains was not read at this site, so nobody knows how far it "
                                       "can rise"), None
    first = float(np.median(life.value[:LEAST_READINGS]))
    if mains.value - first < 3 * mains.u:
        return msgspec.structs.replace(found, why="the first readings behind it are not below the mains"), None
    curves = breakthrough(EffluentSeries(life.days_since(since), life.measured, mains=(mains.value, mains.u)))
    return _dated(found, curves, life.at[-1]), curves


def fitted_band(curves: Breakthrough, life: Series, since: datetime, until: datetime) -> FittedBand:
    """The curves' band from the renewal until a day, for a drawing."""
    days = np.linspace(0.0, (until - since).total_seconds() / 86400.0, 60)
    u = float(np.median(np.hypot(life.scatter * life.u_own, life.u_common)))
    middle, low, high = (tuple(v.tolist()) for v in curves.band(days, u))
    return FittedBand(on=tuple(since + timedelta(days=d) for d in days.tolist()), value=middle, low=low, high=high)


def _alarm(life: Series, since: datetime) -> Drift:
    sums = run_cusum(life)
    found = Drift(since=since, readings=len(life))
    if sums.first is None:
        return found
    return msgspec.structs.replace(found, alarm=life.at[sums.first + 1].date(), onset=life.at[sums.onset + 1].date(),
                                   direction="rising" if sums.upwards else "falling")


def _dated(found: Drift, curves: Breakthrough, last: datetime) -> Drift:
    """The date, where a rise was found and its end lies near enough."""
    def day(probability: float) -> date:
        return (found.since + timedelta(days=curves.spent(SPENT_SHARE, probability))).date()

    earliest, latest = day(0.025), day(0.975)
    ahead = (latest - last.date()).days
    if found.direction != "rising" or ahead > FARTHEST_DAYS:
        why = "no rise is told from the scatter of the readings yet" if found.direction != "rising" else (
            "the rise is too young to say how it goes on")
        return msgspec.structs.replace(found, why=why)
    return msgspec.structs.replace(found, exhaustion=Exhaustion(on=day(0.5), earliest=earliest, latest=latest))
