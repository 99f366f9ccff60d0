"""Day since which the results of a sampling point show what requires an action: a fault of its unit or a deviation."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any, Final

import msgspec
from sqlalchemy import Select, select

from assess.decision import Verdict
from assess.diagnosis.result import State
from stripread.monitoring.assessed_water import AssessedWater
from stripread.monitoring.valid_readings import latest_of_each
from stripread.store.lookup import batches
from stripread.store.models.evidence import SampleAssessment, StoredAssessment
from stripread.store.models.sites import SamplingPoint
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode_part
from stripread.store.store import Store

_ASSESSMENTS, _SAMPLES, _POINTS = (
    RECORD_TYPES[kind].table for kind in (StoredAssessment, SampleAssessment, SamplingPoint))
#: States of a unit that require an action whatever the verdict on its water.
FAULTS: Final[tuple[State, ...]] = ("setting-off", "exhausted", "swapped", "carbon-exhausted")
#: Latest results of a point that are examined; each takes about a millisecond.
_EXAMINED: Final = 5


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


def cause_days(store: Store, waters: Iterable[AssessedWater], since: Mapping[str, date]) -> dict[str, date]:
    """Return by point the day of the first of the latest results in a row that all show what requires an action.

    That is the fault of the unit or the most severe deviation of the latest result. Waters that require none are
    skipped. Of each point the latest results are examined; if all show it, the day is that ``since`` which the point
    has its verdict, if it is earlier.
    """
    causes = {water.point: _causes(water) for water in waters if requires_action(water)}
    days: dict[str, date] = {}
    for point, results in _results(store, causes).items():
        same = _run(results, causes[point])
        if same:
            first = datetime.fromisoformat(results[same - 1][0]).date()
            days[point] = first if same < _EXAMINED else min(first, since.get(point, first))
    return days


def _causes(water: AssessedWater) -> set[tuple[str, str]]:
    first = next((d for d in water.deviations if d.verdict == "out-of-limits"), None)
    fault = water.diagnosis is not None and water.diagnosis.state in FAULTS
    return ({(first.name, first.place)} if first else set()) | (
        {("unit", water.diagnosis.state)} if fault and water.diagnosis else set())


def _run(results: Sequence[tuple[str, _Content]], causes: set[tuple[str, str]]) -> int:
    """Return how many of the results, latest first, show one of the causes until one does not."""
    return next((n for n, (_, content) in enumerate(results) if not content.causes & causes), len(results))


def _results(store: Store, points: Iterable[str]) -> dict[str, list[tuple[str, _Content]]]:
    """Return time and content of the latest assessed results of each point, latest first.

    Results are readings of strips and laboratory or typed samples.
    """
    found: dict[str, dict[tuple[str, type], _Content]] = defaultdict(dict)
    with store.viewing() as connection:
        for some in batches(points):
            for type_, query in _queries(store, some):
                # A sample that was assessed again has its latest assessment.
                for row in connection.execute(query):
                    found[row.point][row.sampled, type_] = decode_part(type_, row.body, _Stored).assessment
    return {point: sorted(((sampled, content) for (sampled, _), content in there.items()),
                          key=lambda result: result[0], reverse=True)[:_EXAMINED] for point, there in found.items()}


def _queries(store: Store, points: Sequence[str]
             ) -> Iterator[tuple[type[StoredAssessment | SampleAssessment], Select[Any]]]:
    """Yield the queries for assessments of the latest readings, and of samples, of some points, oldest first."""
    c, s = READING_INDEX.c, _SAMPLES.c
    latest = latest_of_each(store, _EXAMINED, _POINTS.c.id.in_(points))
    yield StoredAssessment, (select(c.point, c.sampled, BODIES.c.body).join(latest, latest.c.reading == c.reading)
                             .join(_ASSESSMENTS, _ASSESSMENTS.c.id == c.assessment)
                             .join(BODIES, BODIES.c.sha256 == _ASSESSMENTS.c.sha256).order_by(c.at, c.reading))
    yield SampleAssessment, (select(s.point, s.taken.label("sampled"), BODIES.c.body)
                             .join(BODIES, BODIES.c.sha256 == s.sha256).where(s.point.in_(points)).order_by(s.at, s.id))
