"""Day since which the results of a sampling point show what requires an action: a fault of its unit or a deviation."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Final, NamedTuple

import msgspec
from sqlalchemy import select

from assess.decision import Verdict
from assess.diagnosis.result import State
from stripread.monitoring.assessed_water import AssessedWater
from stripread.monitoring.valid_readings import is_valid_sql
from stripread.store.models.evidence import SampleAssessment, StoredAssessment
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode_part
from stripread.store.store import Store

#: States of a unit that require an action whatever the verdict on its water.
FAULTS: Final[tuple[State, ...]] = ("setting-off", "exhausted", "swapped", "carbon-exhausted")
#: Ids in one statement.
_MOST_IDS: Final = 10_000


def requires_action(water: AssessedWater) -> bool:
    """Return whether a water is out of limits, or its unit has a fault though the water is still within limits."""
    return water.verdict == "out-of-limits" or (water.diagnosis is not None and water.diagnosis.state in FAULTS)


class _Criterion(msgspec.Struct):
    name: str
    place: str
    verdict: Verdict


class _Unit(msgspec.Struct):
    state: State


class _Content(msgspec.Struct):
    judgements: tuple[_Criterion, ...]
    diagnosis: _Unit | None = None

    @property
    def causes(self) -> set[tuple[str, str]]:
        out = {(j.name, j.place) for j in self.judgements if j.verdict == "out-of-limits"}
        return out | ({("unit", self.diagnosis.state)} if self.diagnosis is not None else set())


class _Stored(msgspec.Struct):
    assessment: _Content


class _Result(NamedTuple):
    """An assessed result of a point: its time, and type and id of its assessment."""

    sampled: str
    type: type[StoredAssessment | SampleAssessment]
    assessment: str


def cause_days(store: Store, waters: Iterable[AssessedWater]) -> dict[str, date]:
    """Return by point the day of the first of the latest results in a row that all show what requires an action.

    That is the fault of the unit or the most severe deviation of the latest result. Waters that require none are
    skipped. Assessments are read from the latest one back, so that few of a long history are read.
    """
    causes = {water.point: _causes(water) for water in waters if requires_action(water)}
    left = _results(store, list(causes)) if causes else {}
    days: dict[str, date] = {}
    n = 2
    while left:
        states = _contents(store, [result for results in left.values() for result in results[:n]])
        for point, results in list(left.items()):
            same = _run(results[:n], states, causes[point])
            if same:
                days[point] = datetime.fromisoformat(results[same - 1].sampled).date()
            left[point] = results[n:] if same == n else []
        left, n = {point: results for point, results in left.items() if results}, 4 * n
    return days


def _causes(water: AssessedWater) -> set[tuple[str, str]]:
    first = next((d for d in water.deviations if d.verdict == "out-of-limits"), None)
    fault = water.diagnosis is not None and water.diagnosis.state in FAULTS
    return ({(first.name, first.place)} if first else set()) | (
        {("unit", water.diagnosis.state)} if fault and water.diagnosis else set())


def _run(results: Sequence[_Result], found: Mapping[str, _Content], causes: set[tuple[str, str]]) -> int:
    """Return how many of the results, latest first, show one of the causes until one does not."""
    return next((n for n, result in enumerate(results) if not found[result.assessment].causes & causes), len(results))


def _results(store: Store, points: Sequence[str]) -> dict[str, list[_Result]]:
    """Return the assessed results of each point, strips and laboratory or typed samples, latest first."""
    c, s = READING_INDEX.c, RECORD_TYPES[SampleAssessment].table.c
    read = select(c.point, c.sampled, c.assessment).where(
        c.assessment.is_not(None), *is_valid_sql(store.review)).order_by(c.at, c.reading)
    typed = select(s.point, s.taken.label("sampled"), s.id.label("assessment")).order_by(s.at, s.id)
    found: dict[str, dict[tuple[str, type], _Result]] = {}
    with store.viewing() as connection:
        for start in range(0, len(points), _MOST_IDS):
            some = points[start:start + _MOST_IDS]
            for type_, query, column in ((StoredAssessment, read, c.point), (SampleAssessment, typed, s.point)):
                for row in connection.execute(query.where(column.in_(some))):
                    # A sample that was assessed again has its latest assessment.
                    key = row.sampled, type_
                    found.setdefault(row.point, {})[key] = _Result(row.sampled, type_, row.assessment)
    return {point: sorted(there.values(), key=lambda r: r.sampled, reverse=True) for point, there in found.items()}


def _contents(store: Store, results: Sequence[_Result]) -> dict[str, _Content]:
    """Return criteria and state of the unit by id of the assessment."""
    contents: dict[str, _Content] = {}
    with store.viewing() as connection:
        for type_ in (StoredAssessment, SampleAssessment):
            t, ids = RECORD_TYPES[type_].table.c, [r.assessment for r in results if r.type is type_]
            query = select(t.id, BODIES.c.body).join(BODIES, BODIES.c.sha256 == t.sha256)
            for start in range(0, len(ids), _MOST_IDS):
                rows = connection.execute(query.where(t.id.in_(ids[start:start + _MOST_IDS])))
                contents |= {row.id: decode_part(type_, row.body, _Stored).assessment for row in rows}
    return contents
