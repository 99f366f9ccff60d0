"""Trend of the water at one sampling point, from its stored readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

import msgspec

from shared.analytes import ANALYTES
from shared.estimate import Status
from stripread.intake.unit_history import last_renewal
from stripread.monitoring.sites import Scope, load_sites
from stripread.monitoring.trend.change_points import Segments, levels
from stripread.monitoring.trend.drift import Drift, FittedBand, fitted_band
from stripread.monitoring.trend.series import Event, Series, Visit, events, load_visits, series
from stripread.monitoring.trend.unit_ends import End, Waters, end_of, waters
from stripread.monitoring.valid_readings import valid_readings
from stripread.store.errors import RecordsError
from stripread.store.models.sites import Place, SamplingPoint, Service, Site, Unit
from stripread.store.store import Store

#: Minimum extension of a curve with a predicted date beyond the last reading.
_AHEAD: Final = timedelta(days=60)


class TrendPoint(msgspec.Struct, frozen=True, kw_only=True):
    """Value of one visit with its 95 % interval and its readings; ``corrected``: entered by a reviewer."""

    at: datetime
    status: Status
    value: float
    low: float
    high: float
    batch: str
    readings: tuple[str, ...]
    corrected: bool


class AnalyteTrend(msgspec.Struct, frozen=True, kw_only=True):
    """Trend of one analyte: its values, and the levels of a mains or the drift of treated water.

    ``scatter``: ratio of the observed scatter to the independent uncertainty (for treated water since the renewal);
    the intervals are widened accordingly.
    """

    analyte: str
    unit: str
    seen: tuple[TrendPoint, ...]
    scatter: float
    levels: Segments | None = None
    drift: Drift | None = None
    fitted: FittedBand | None = None


class Trend(msgspec.Struct, frozen=True, kw_only=True):
    """Trend of a sampling point; ``treatment``: name of the unit upstream of it, empty if none is known.

    ``change``: when that unit is due for change, as in the maintenance schedule.
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
    """A point with the unit upstream of it and its visits."""

    point: SamplingPoint
    unit: Unit | None
    waters: Waters
    seen: Sequence[Visit]

    @property
    def services(self) -> Sequence[Service]:
        """Service records of the unit."""
        return self.waters.inventory.services.get(self.unit.id, ()) if self.unit else ()


def trend(store: Store, point: str, analyte: str | None = None) -> Trend:
    """Return the trend of one analyte or of all at a sampling point. Raises RecordsError if there is no reading."""
    scene = _scene(store, store.get(SamplingPoint, point))
    read = [a for a in ANALYTES if any(a in o.values for o in scene.seen)]
    if analyte is not None and analyte not in read:
        raise RecordsError("no reading of this analyte", where=f"point {point}", found=analyte,
                           allowed=", ".join(read) or "none: the point has no valid reading yet")
    if not read:
        raise RecordsError("the point has no valid reading yet", where=f"point {point}",
                           remedy="add photographs that name it with `stripread readings take --point`")
    return Trend(
        point=point, name=scene.point.name, site=store.get(Site, scene.point.site).name, place=scene.point.place,
        treatment=scene.unit.unit.name if scene.unit else "", change=_change(scene),
        marks=events(scene.services, scene.seen),
        analytes=tuple(_analyte(scene, a) for a in read if analyte in (None, a)))


def _scene(store: Store, point: SamplingPoint) -> _Scene:
    scope, today = Scope(site=point.site), store.clock().date()
    open_ = load_sites(store, scope, today)
    # A point that is closed today was open when its water was read.
    inventory = open_ if point.id in open_.points else load_sites(store, scope, date.min)
    return _Scene(point=point, unit=inventory.upstream.get(point.id), waters=waters(store, inventory),
                  seen=load_visits(store, valid_readings(store, points=[point.id])))


def _change(scene: _Scene) -> End | None:
    """Return when the unit is due, as in the schedule, which lists open sites and points only."""
    site, closed = scene.waters.inventory.sites[scene.point.site], scene.point.closed
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
    trend_ = AnalyteTrend(analyte=analyte, unit=ANALYTES[analyte].unit, seen=seen, scatter=whole.scatter)
    if scene.point.place == "mains":
        return msgspec.structs.replace(trend_, levels=levels(whole))
    return _treated(trend_, scene)


def _treated(trend_: AnalyteTrend, scene: _Scene) -> AnalyteTrend:
    renewed = last_renewal(scene.services)
    if renewed is None or scene.unit is None:
        return trend_
    life, found_drift, curves = scene.waters.since_renewal(scene.unit, renewed, scene.point.id, trend_.analyte)
    band = None if curves is None else fitted_band(curves, life, renewed.at, _until(life, found_drift))
    return msgspec.structs.replace(trend_, scatter=life.scatter, drift=found_drift, fitted=band)


def _until(life: Series, found_drift: Drift) -> datetime:
    """Return the end of the curve: the last reading, or later so that it includes the whole interval of the date."""
    if found_drift.exhaustion is None:
        return life.at[-1]
    latest = datetime.combine(found_drift.exhaustion.latest, time(), UTC) + timedelta(days=7)
    return max(latest, life.at[-1] + _AHEAD)
