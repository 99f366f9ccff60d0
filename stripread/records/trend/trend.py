"""Everything that the kept readings of one sampling point tell of its water over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Final

import msgspec

from shared.analytes import ANALYTES
from shared.estimate import Status
from stripread.records.errors import RecordsError
from stripread.records.kinds.places import Place, SamplingPoint, Service, Site, Unit
from stripread.records.store import Store
from stripread.records.trend.counted import counted
from stripread.records.trend.drift import HELD_BACK, Drift, Fitted, drift, fitted
from stripread.records.trend.marks import Mark, is_removed, marks, renewal, services_of, unit_before
from stripread.records.trend.occasions import Occasion, occasions
from stripread.records.trend.series import Series, series
from stripread.records.trend.steps import Levels, levels, recent_level

#: A curve with a date is drawn at least so far beyond the last reading.
_AHEAD: Final = timedelta(days=60)


class Seen(msgspec.Struct, frozen=True, kw_only=True):
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
    seen: tuple[Seen, ...]
    scatter: float
    levels: Levels | None = None
    drift: Drift | None = None
    fitted: Fitted | None = None


class Trend(msgspec.Struct, frozen=True, kw_only=True):
    """A sampling point's history; ``treatment``: the unit before it, in words, empty where none is known."""

    point: str
    name: str
    site: str
    place: Place
    treatment: str
    marks: tuple[Mark, ...]
    analytes: tuple[AnalyteTrend, ...]


@dataclass(frozen=True, slots=True)
class _Scene:
    """What stands before the point, and when it was last renewed."""

    point: SamplingPoint
    unit: Unit | None
    services: Sequence[Service]
    seen: Sequence[Occasion]
    mains: Sequence[Occasion]

    @property
    def renewed(self) -> datetime | None:
        """When the treatment was last as new."""
        last = renewal(self.services)
        return None if last is None else last.at


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
        treatment=scene.unit.unit.name if scene.unit else "", marks=marks(scene.services, scene.seen),
        analytes=tuple(_analyte(scene, a) for a in read if analyte in (None, a)))


def _scene(store: Store, point: SamplingPoint) -> _Scene:
    there = store.find(Unit, site=point.site)
    work = {unit.id: services_of(store, unit) for unit in there}
    unit = unit_before(point, there, {id_ for id_, done in work.items() if is_removed(done)})
    mains = [] if point.place == "mains" else [p.id for p in store.find(SamplingPoint, site=point.site)
                                               if p.place == "mains"]
    found = counted(store, points=[point.id, *mains])
    return _Scene(point=point, unit=unit, services=work[unit.id] if unit else (),
                  seen=occasions(store, [c for c in found if c.point == point.id]),
                  mains=occasions(store, [c for c in found if c.point != point.id]))


def _analyte(scene: _Scene, analyte: str) -> AnalyteTrend:
    whole = series(analyte, scene.seen).scaled()
    seen = tuple(Seen(at=o.at.astimezone(UTC), status=b.status, value=b.value, low=b.low, high=b.high, batch=o.batch,
                      readings=o.readings, corrected=analyte in o.corrected)
                 for o in scene.seen if (b := o.values.get(analyte)) is not None)
    found = AnalyteTrend(analyte=analyte, unit=ANALYTES[analyte].unit, seen=seen, scatter=whole.scatter)
    if scene.point.place == "mains":
        return msgspec.structs.replace(found, levels=levels(whole))
    if scene.renewed is None:
        return found
    return _behind(found, scene, whole.since(scene.renewed).scaled())


def _behind(found: AnalyteTrend, scene: _Scene, life: Series) -> AnalyteTrend:
    renewed = scene.renewed
    if renewed is None or scene.unit is None:
        return found
    holds_back = found.analyte in HELD_BACK.get(scene.unit.unit.kind, ())
    told, curves = drift(life, renewed, mains=recent_level(series(found.analyte, scene.mains)), holds_back=holds_back)
    band = None if curves is None else fitted(curves, life, renewed, _until(life, told))
    return msgspec.structs.replace(found, scatter=life.scatter, drift=told, fitted=band)


def _until(life: Series, told: Drift) -> datetime:
    """Where the curve ends: as far as it was read, or so far that the whole interval of the date is on it."""
    if told.exhaustion is None:
        return life.at[-1]
    latest = datetime.combine(told.exhaustion.latest, time(), UTC) + timedelta(days=7)
    return max(latest, life.at[-1] + _AHEAD)
