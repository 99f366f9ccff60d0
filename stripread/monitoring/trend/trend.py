"""Everything that the kept readings of one sampling point tell of its water over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

import msgspec

from shared.analytes import ANALYTES
from shared.estimate import Status
from stripread.monitoring.sites import Scope, load_sites
from stripread.monitoring.trend.change_points import Segments, levels
from stripread.monitoring.trend.drift import Drift, FittedBand, fitted_band
from stripread.monitoring.trend.events import Event, events, last_renewal
from stripread.monitoring.trend.series import Series, series
from stripread.monitoring.trend.unit_ends import End, Waters, end_of, waters
from stripread.monitoring.trend.visits import Visit, occasions
from stripread.monitoring.valid_readings import valid_readings
from stripread.store.errors import RecordsError
from stripread.store.models.sites import Place, SamplingPoint, Service, Site, Unit
from stripread.store.store import Store

#: A curve with a date is drawn at least so far beyond the last reading.
_AHEAD: Final = timedelta(days=60)


class TrendPoint(msgspec.Struct, frozen=True, kw_only=True):
    """One occasion's value with its 95 % interval, and the readings it is from; ``corrected``: a reviewer set it."""

    at: datetime
    status: Status
    value: float
    low: float
    high: float
    batch: str
    readings: tuple[str, ...]
    corrected: bool


class AnalyteTrend(msgspec.Struct, frozen=True, kw_only=True):
    """One analyte: its values, and the levels of a mains or the drift behind a treatment.

    ``scatter``: how many times their own doubt the values scatter, behind a treatment those since its renewal; the
    intervals allow for it.
    """

    analyte: str
    unit: str
    seen: tuple[TrendPoint, ...]
    scatter: float
    levels: Segments | None = None
    drift: Drift | None = None
    fitted: FittedBand | None = None


class Trend(msgspec.Struct, frozen=True, kw_only=True):
    """A sampling point's history; ``treatment``: the unit upstream of it, in words, empty where none is known.

    ``change``: when that unit is to be changed, the same day as in the schedule.
    """

    point: str
    name: str
    site: str
    place: Place
    treatment: str
    change: End | None
    marks: tuple[Event, ...]
    analytes: tuple[AnalyteTrend, ...]


@dataclass(frozen=True, slots=True)
class _Scene:
    """What is upstream of the point, and what was read there."""

    point: SamplingPoint
    unit: Unit | None
    waters: Waters
    seen: Sequence[Visit]

    @property
    def services(self) -> Sequence[Service]:
        """All work on the unit."""
        return self.waters.firm.services.get(self.unit.id, ()) if self.unit else ()


def trend(store: Store, point: str, analyte: str | None = None) -> Trend:
    """The trend of one analyte or of all at a sampling point. Raises RecordsError where there is none to tell."""
    scene = _scene(store, store.get(SamplingPoint, point))
    read = [a for a in ANALYTES if any(a in o.values for o in scene.seen)]
    if analyte is not None and analyte not in read:
        raise RecordsError("the analyte was not read there", where=f"point {point}", found=analyte,
                           allowed=", ".join(read) or "nothing was read there yet")
    if not read:
        raise RecordsError("nothing to tell: no reading of this point counts yet", where=f"point {point}",
                           remedy="add photographs that name it with `stripread records add --point`")
    return Trend(
        point=point, name=scene.point.name, site=store.get(Site, scene.point.site).name, place=scene.point.place,
        treatment=scene.unit.unit.name if scene.unit else "", change=_change(scene),
        marks=events(scene.services, scene.seen),
        analytes=tuple(_analyte(scene, a) for a in read if analyte in (None, a)))


def _scene(store: Store, point: SamplingPoint) -> _Scene:
    scope, today = Scope(site=point.site), store.clock().date()
    open_ = load_sites(store, scope, today)
    # What is closed today was open when its water was read.
    kept = open_ if point.id in open_.points else load_sites(store, scope, date.min)
    return _Scene(point=point, unit=kept.upstream.get(point.id), waters=waters(store, kept),
                  seen=occasions(store, valid_readings(store, points=[point.id])))


def _change(scene: _Scene) -> End | None:
    """As in the schedule, which lists what is open."""
    site, closed = scene.waters.firm.sites[scene.point.site], scene.point.closed
    today = scene.waters.store.clock().date()
    if scene.unit is None or any(day is not None and day <= today for day in (closed, site.closed)):
        return None
    return end_of(scene.waters, scene.unit)


def _analyte(scene: _Scene, analyte: str) -> AnalyteTrend:
    whole = series(analyte, scene.seen).scaled()
    seen = tuple(
        TrendPoint(
            at=o.at.astimezone(UTC),
            status=b.status,
            value=b.value,
            low=b.low,
            high=b.high,
            batch=o.batch,
            readings=o.readings,
            corrected=analyte in o.corrected,
        )
        for o in scene.seen
        if (b := o.values.get(analyte)) is not None
    )
    found = AnalyteTrend(analyte=analyte, unit=ANALYTES[analyte].unit, seen=seen, scatter=whole.scatter)
    if scene.point.place == "mains":
        return msgspec.structs.replace(found, levels=levels(whole))
    return _treated(found, scene)


def _treated(found: AnalyteTrend, scene: _Scene) -> AnalyteTrend:
    renewed = last_renewal(scene.services)
    if renewed is None or scene.unit is None:
        return found
    life, told, curves = scene.waters.since_renewal(scene.unit, renewed, scene.point.id, found.analyte)
    band = None if curves is None else fitted_band(curves, life, renewed.at, _until(life, told))
    return msgspec.structs.replace(found, scatter=life.scatter, drift=told, fitted=band)


def _until(life: Series, told: Drift) -> datetime:
    """Where the curve ends: as far as it was read, or so far that the whole interval of the date is on it."""
    if told.exhaustion is None:
        return life.at[-1]
    latest = datetime.combine(told.exhaustion.latest, time(), UTC) + timedelta(days=7)
    return max(latest, life.at[-1] + _AHEAD)
