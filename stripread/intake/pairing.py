"""Pairing of treated water with its feed water and the unit between: as both were at the time of the sample."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from sqlalchemy import select

from assess.diagnosis.result import NotCompared, UnitUsage, Upstream
from assess.equipment import InstalledTreatment
from assess.inputs.sample import Sample
from shared.analytes import ANALYTES
from shared.estimate import Z95, Estimate
from stripread.intake.laboratory_samples import average_as_estimate, laboratory_samples, supplier_averages
from stripread.intake.terms import catalogue, own_terms
from stripread.intake.unit_history import UnitHistory, history_until, services, unit_upstream
from stripread.reading.assessment import sample_of
from stripread.store.models.evidence import Photograph, StoredReading, ValueSummary, decode_summary
from stripread.store.models.record import stamp
from stripread.store.models.sites import Machine, SamplingPoint, Unit
from stripread.store.reading_query import review_status_sql
from stripread.store.schema import READING_INDEX, RECORD_TYPES
from stripread.store.store import Store

#: Feed readings are used from so long before the treated sample until so long after it.
_BEFORE, _AFTER = timedelta(days=400), timedelta(days=1)
#: Number of other feed readings that give its usual level.
_USUAL: Final = 8
_READINGS = RECORD_TYPES[StoredReading].table


class _Feed(NamedTuple):
    """A sample of the mains: a reading on a chart, or a laboratory or typed ``sample``."""

    at: datetime
    chart: str | None
    values: Sequence[ValueSummary | Estimate]
    reading: str = ""
    sample: Sample | None = None


def pairing_of(store: Store, photograph: Photograph, chart: str) -> Upstream | NotCompared | None:
    """Return unit and feed water of a treated sample read on a chart (its id), as `pairing_at`."""
    point = None if photograph.point is None else store.get(SamplingPoint, photograph.point)
    return None if point is None else pairing_at(store, point, photograph.sampled, chart)


def pairing_at(store: Store, point: SamplingPoint, at: datetime, chart: str | None) -> Upstream | NotCompared | None:
    """Return unit and feed water of a sample of a point, or why it is not compared; ``chart`` None: not of a strip.

    None for feed water, and where no unit is upstream.
    """
    if point.place == "mains":
        return None
    unit, note = _unit(store, point, at)
    if unit is None:
        return NotCompared(note) if note else None
    mains = store.find(SamplingPoint, site=point.site, place="mains")
    if not mains:
        return NotCompared(f"This site has no sampling point of the mains, so the water of {unit.unit.name} cannot be "
                             "compared with a prediction. Add one with `stripread sites import`.")
    feeds = _feeds(store, [p.id for p in mains], at)
    if not feeds:
        return NotCompared(f"No reading of the mains is on file, so the water of {unit.unit.name} cannot be compared "
                             "with a prediction. Test the tap on the same day.")
    supplied = [average_as_estimate(r) for r in supplier_averages(store, [p.id for p in mains], at).values()]
    return _upstream(store, unit, (at, chart), feeds, supplied)


def _unit(store: Store, point: SamplingPoint, at: datetime) -> tuple[Unit | None, str]:
    """Return the unit upstream of a point at a time, or why there is none to compare with."""
    there = store.find(Unit, site=point.site)
    histories = {u.id: history_until(services(store, u), at) for u in there}
    unit = unit_upstream(point, there, {id_ for id_, h in histories.items() if not h.in_place})
    if unit is None:
        in_place = [u.unit.name for u in there if histories[u.id].in_place
                    and (not point.machine or u.machine in (None, point.machine))]
        series = (f"{len(in_place)} units are installed upstream of this point ({', '.join(in_place)}), so the treated "
                  "water is not compared with a prediction. Name the unit of each sampling point in a table of points.")
        return None, series if len(in_place) > 1 else ""
    if not histories[unit.id].in_place:
        return None, (f"{unit.unit.name} was not installed on {at:%Y-%m-%d}, the day of the sample: it is not compared "
                      "with a prediction.")
    if unit.catalogue not in catalogue(own_terms(store)):
        return None, f"The catalogue has no unit {unit.catalogue!r}: its water is not compared with a prediction."
    return unit, ""


def _upstream(store: Store, unit: Unit, read: tuple[datetime, str | None], feeds: Sequence[_Feed],
              supplied: Sequence[Estimate]) -> Upstream:
    """Return the pairing of a sample ``read`` at a time on a chart; ``supplied``: averages of the supplier."""
    at, chart = read
    feed, *others = sorted(feeds, key=lambda f: abs(f.at - at))
    history = UnitHistory(unit, services(store, unit), _demand(store, unit))
    sample = feed.sample or sample_of(store.get(StoredReading, feed.reading).reading)
    levels = {e.analyte: e for e in (*supplied, *_levels(others[:_USUAL]))}
    used = history.used(at, {e.analyte: e.value for e in levels.values() or sample.estimates})
    return Upstream(
        installed=InstalledTreatment(unit=unit.catalogue, setting=history.setting(at),
                                     capacity_eq=unit.unit.capacity_eq),
        feed=sample, feed_days=(at - feed.at).total_seconds() / 86400,
        same_chart=chart is not None and feed.chart == chart, usual=tuple(levels.values()),
        usage=None if used is None else UnitUsage(used=used, u=0.1 * used))


def _demand(store: Store, unit: Unit) -> float | None:
    taken = [m.equipment.litres_per_day for m in store.find(Machine, site=unit.site)
             if m.removed is None and unit.machine in (None, m.id)]
    return sum(taken) or None


def _feeds(store: Store, points: Sequence[str], at: datetime) -> list[_Feed]:
    """Return readings, laboratory and typed samples of the mains around a time, each with its values."""
    c, first, last = READING_INDEX.c, at - _BEFORE, at + _AFTER
    query = (
        select(c.reading, c.sampled, _READINGS.c.chart, _READINGS.c.value_summary)
        .join(_READINGS, _READINGS.c.id == c.reading)
        .where(c.point.in_(points), c.status == "measured", c.superseded_by.is_(None),
               review_status_sql(c, store.review) != "rejected", c.sampled.between(stamp(first), stamp(last)))
        .order_by(c.sampled.desc())
        .limit(4 * _USUAL)
    )
    with store.viewing() as connection:
        feeds = [_Feed(datetime.fromisoformat(sampled), chart, decode_summary(brief), reading=id_)
                 for id_, sampled, chart, brief in connection.execute(query)]
    return feeds + [_Feed(s.taken, None, s.sample.estimates, sample=s.sample)
                    for s in laboratory_samples(store, points) if first <= s.taken <= last]


def _levels(feeds: Sequence[_Feed]) -> list[Estimate]:
    """Return the usual level of each analyte: the mean of the readings, with their scatter as uncertainty."""
    values: dict[str, list[ValueSummary | Estimate]] = {}
    for feed in feeds:
        for value in feed.values:
            if value.status == "measured":
                values.setdefault(value.analyte, []).append(value)
    return [_level(analyte, found) for analyte, found in values.items()]


def _level(analyte: str, values: Sequence[ValueSummary | Estimate]) -> Estimate:
    """Return a mean with the larger of its readings' own uncertainty and their scatter."""
    mean = sum(v.value for v in values) / len(values)
    scatter = (sum((v.value - mean) ** 2 for v in values) / len(values)) ** 0.5
    half = max(max(v.high - v.low for v in values) / 2, Z95 * scatter)
    known = ANALYTES[analyte]
    return Estimate(analyte=analyte, value=mean, low=max(known.lower, mean - half), high=min(known.upper, mean + half),
                    unit=known.unit)
