"""What was read on each occasion: replicates of one visit joined, a reviewer's correction in its place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

import msgspec

from shared.analytes import ANALYTES
from stripread.monitoring.valid_readings import ValidReading, corrections
from stripread.reading.combine import combine
from stripread.store.models.evidence import StoredReading
from stripread.store.models.value_summary import ValueSummary, summarise_value
from stripread.store.store import Store

#: Readings of a point on one chart within so long of the first are of the same water.
VISIT: Final = timedelta(minutes=30)


class Visit(msgspec.Struct, frozen=True, kw_only=True):
    """One visit's values by analyte, and the readings they come from; ``corrected``: analytes a reviewer set."""

    at: datetime
    batch: str
    chart: str
    values: dict[str, ValueSummary]
    readings: tuple[str, ...]
    corrected: tuple[str, ...] = ()


def occasions(store: Store, readings: Sequence[ValidReading],
              corrected: Mapping[tuple[str, str], ValueSummary] | None = None) -> list[Visit]:
    """The occasions of one sampling point's readings, which are in order of time.

    ``corrected``: all corrections, where somebody has asked for them already.
    """
    if corrected is None:
        corrected = corrections(store)
    return [_occasion(store, group, corrected) for group in visits(readings)]


def visits(readings: Sequence[ValidReading]) -> Iterator[list[ValidReading]]:
    """Readings of one sampling point, in order of time, by visit and chart."""
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
    """Strips dipped apart are replicates; where fewer dips than photographs are told, one may be there twice."""
    return len({r.dipped for r in visit if r.dipped}) < len(visit)


def _occasion(store: Store, group: Sequence[ValidReading], corrected: Mapping[tuple[str, str], ValueSummary]) -> Visit:
    values = {b.analyte: b for b in (group[0].values if len(group) == 1 else _joined(store, group))}
    said = {a: b for r in group for a in ANALYTES if (b := corrected.get((r.id, a))) is not None} if corrected else {}
    return Visit(at=group[0].at, batch=group[0].batch, chart=group[0].chart, values={**values, **said},
                    readings=tuple(r.id for r in group), corrected=tuple(said))


def _joined(store: Store, group: Sequence[ValidReading]) -> Iterator[ValueSummary]:
    bodies = [store.get(StoredReading, r.id).reading for r in group]
    try:
        joined = combine(bodies, same_strip=same_strip(group))
    except ValueError:
        # Without a budget nothing says what they share: the first stands for all.
        yield from group[0].values
        return
    yield from (b for pad in joined.pads if (b := summarise_value(pad)) is not None)
