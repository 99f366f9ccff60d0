"""By site the latest valid reading that was assessed, of the water nearest to the machine."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from sqlalchemy import select

from assess.assessment import Assessment
from assess.decision import Verdict
from stripread.monitoring.sites import Scope
from stripread.monitoring.valid_readings import is_valid_sql
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.sites import NEAREST, SamplingPoint
from stripread.store.schema import LISTED
from stripread.store.store import Store


class AssessedReading(NamedTuple):
    """A reading, the worst verdict on it, and the id of its current assessment."""

    reading: str
    site: str
    point: str
    sampled: str
    verdict: Verdict
    assessment: str


def nearest(store: Store, scope: Scope, points: Mapping[str, SamplingPoint]) -> dict[str, AssessedReading]:
    """By site: the latest judged reading that counts, of the point nearest to the machine that has one."""
    found: dict[str, AssessedReading] = {}
    for judged in _judged(store, scope):
        if judged.point not in points:
            continue
        there = found.get(judged.site)
        if there is None or _distance(points, judged) < _distance(points, there):
            found[judged.site] = judged
    return found


def assessment_of(store: Store, judged: AssessedReading) -> Assessment:
    """Return the current assessment of a reading."""
    return store.get(StoredAssessment, judged.assessment).assessment


def _judged(store: Store, scope: Scope) -> Iterator[AssessedReading]:
    """All judged readings that count, the latest first."""
    c = LISTED.c
    wanted = [*is_valid_sql(store.review), c.verdict.is_not(None)]
    wanted += [column == id_ for column, id_ in ((c.site, scope.site), (c.group, scope.group)) if id_ is not None]
    query = select(c.reading, c.site, c.point, c.sampled, c.verdict, c.assessment).where(*wanted)
    with store.viewing() as connection:
        rows = connection.execute(query.order_by(c.sampled.desc(), c.at.desc(), c.reading)).all()
    return (AssessedReading(*row) for row in rows)


def _distance(points: Mapping[str, SamplingPoint], judged: AssessedReading) -> int:
    return NEAREST.index(points[judged.point].place)
