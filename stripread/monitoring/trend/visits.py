"""Visits to a sampling point, with replicates combined and corrections applied; events that may change its water."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

import msgspec

from shared.analytes import ANALYTES
from stripread.monitoring.valid_readings import ValidReading, corrections
from stripread.reading.combine import combine
from stripread.store.models.evidence import StoredReading
from stripread.store.models.sites import Service
from stripread.store.models.value_summary import ValueSummary, summarise_value
from stripread.store.store import Store

#: Maximum time from the first reading of a visit: readings of a point on one chart are then of the same water.
VISIT: Final = timedelta(minutes=30)


class Visit(msgspec.Struct, frozen=True, kw_only=True):
    """Values of one visit by analyte, and their readings; ``corrected``: analytes entered by a reviewer."""

    at: datetime
    batch: str
    chart: str
    values: dict[str, ValueSummary]
    readings: tuple[str, ...]
    corrected: tuple[str, ...] = ()


def load_visits(store: Store, readings: Sequence[ValidReading],
              corrected: Mapping[tuple[str, str], ValueSummary] | None = None) -> list[Visit]:
    """Return the visits of one sampling point's readings, which are in order of time.

    ``corrected``: their corrections, if they are already loaded.
    """
    if corrected is None:
        corrected = corrections(store, readings)
    return [_visit(store, group, corrected) for group in visits(readings)]


def visits(readings: Sequence[ValidReading]) -> Iterator[list[ValidReading]]:
    """Return the readings of one sampling point, in order of time, grouped by visit and chart."""
    open_: dict[str, list[ValidReading]] = {}
    groups: list[list[ValidReading]] = []
    for reading in readings:
        group = open_.get(reading.chart)
        if group is None or reading.at - group[0].at > VISIT:
            groups.append(group := [])
            open_[reading.chart] = group
        group.append(reading)
    yield from groups


def same_strip(visit: Sequence[ValidReading]) -> bool:
    """Return whether photographs may show the same strip: fewer dip times are known than there are photographs."""
    return len({r.dipped for r in visit if r.dipped}) < len(visit)


def _visit(store: Store, group: Sequence[ValidReading], corrected: Mapping[tuple[str, str], ValueSummary]) -> Visit:
    values = {b.analyte: b for b in (group[0].values if len(group) == 1 else _joined(store, group))}
    corrections_here = (
        {a: b for r in group for a in ANALYTES if (b := corrected.get((r.id, a))) is not None} if corrected else {}
    )
    return Visit(at=group[0].at, batch=group[0].batch, chart=group[0].chart, values={**values, **corrections_here},
                    readings=tuple(r.id for r in group), corrected=tuple(corrections_here))


def _joined(store: Store, group: Sequence[ValidReading]) -> Iterator[ValueSummary]:
    bodies = [store.get(StoredReading, r.id).reading for r in group]
    try:
        joined = combine(bodies, same_strip=same_strip(group))
    except ValueError:
        # Without an uncertainty budget the shared part is unknown, so only the first reading is used.
        yield from group[0].values
        return
    yield from (b for pad in joined.pads if (b := summarise_value(pad)) is not None)


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """An event; ``water``: it may change the water itself, not only how it is measured."""

    at: datetime
    what: str
    water: bool


def events(services: Sequence[Service], visits: Sequence[Visit]) -> tuple[Event, ...]:
    """Return service of the unit and the first reading on each new batch or chart, in order of time."""
    return tuple(sorted((*_work(services), *_batches(visits)), key=lambda m: m.at))


def _work(services: Sequence[Service]) -> Iterator[Event]:
    for s in services:
        setting = "" if s.setting is None else f" (setting {100 * s.setting:.0f} %)"
        yield Event(at=s.at, what=f"{s.job}{setting}", water=s.job != "inspected")


def _batches(visits: Sequence[Visit]) -> Iterator[Event]:
    for before, after in pairwise(visits):
        if after.chart != before.chart:
            same = after.batch == before.batch
            yield Event(at=after.at, what=f"{'new chart of batch' if same else 'batch'} {after.batch or 'unnamed'}",
                       water=False)
