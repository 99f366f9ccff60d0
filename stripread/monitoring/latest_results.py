"""Latest reading and latest assessment of each sampling point."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, Final

import msgspec
from sqlalchemy import ColumnElement, func, select

from assess.decision import Verdict
from stripread.monitoring.valid_readings import is_valid_sql, moments
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.record import stamp
from stripread.store.schema import BODIES, LISTED, RECORD_TYPES, decode_part
from stripread.store.store import Store

_ASSESSMENTS = RECORD_TYPES[StoredAssessment].table
#: Period that is queried first: few points have an older last reading, and only for these the rest is queried.
_RECENT: Final = timedelta(days=120)


class LatestResult(msgspec.Struct, frozen=True, kw_only=True):
    """Date of a point's last reading; verdict and date of its latest assessed reading, None if there is none.

    ``test_in_days``: interval in days to the next test that the latest plan recommends; None: there is no plan.
    """

    read: date
    verdict: Verdict | None = None
    judged: date | None = None
    test_in_days: int | None = None


class _Plan(msgspec.Struct):
    test_in_days: int


class _Assessment(msgspec.Struct):
    plan: _Plan


class _Assessed(msgspec.Struct):
    """The part of an assessment that is used here."""

    assessment: _Assessment


def latest_results(store: Store, points: Iterable[str]) -> dict[str, LatestResult]:
    """Return the latest results of the points that have valid readings, by sampling point."""
    wanted = list(points)
    recent = _rows(store, LISTED.c.sampled >= stamp(store.clock() - _RECENT))
    found = _lasts(recent, set(wanted))
    missing = [p for p in wanted if p not in found or found[p].verdict is None]
    older = _rows(store, LISTED.c.point.in_(missing))
    found |= _lasts(older, set(missing))
    asked = _asked(store, {row.point: row.sampled for row in reversed((*recent, *older)) if row.point in found})
    return {p: msgspec.structs.replace(there, test_in_days=asked.get(p)) for p, there in found.items()}


def _asked(store: Store, sampled: Mapping[str, str]) -> dict[str, int]:
    """Return the interval to the next test, in days, from the latest plan for the reading at that time, by point."""
    if not sampled:
        return {}
    c, a, selected = LISTED.c, _ASSESSMENTS.c, moments(sampled)
    query = (
        select(c.point, BODIES.c.body)
        .join(selected, (c.point == selected.c.point) & (c.sampled == selected.c.moment))
        .join(_ASSESSMENTS, a.id == c.assessment)
        .join(BODIES, BODIES.c.sha256 == a.sha256)
        .order_by(c.at, c.reading)
    )
    with store.viewing() as connection:
        return {row.point: decode_part(StoredAssessment, row.body, _Assessed).assessment.plan.test_in_days
                for row in connection.execute(query)}


def _rows(store: Store, condition: ColumnElement[bool]) -> Sequence[Any]:
    """Return the last reading of each point and verdict, latest first."""
    c = LISTED.c
    query = (
        select(c.point, c.verdict, func.max(c.sampled).label("sampled"))
        .where(condition, *is_valid_sql(store.review))
        .group_by(c.point, c.verdict)
    )
    with store.viewing() as connection:
        return sorted(connection.execute(query), key=lambda row: str(row.sampled), reverse=True)


def _lasts(rows: Sequence[Any], wanted: set[str]) -> dict[str, LatestResult]:
    found: dict[str, LatestResult] = {}
    for row in rows:
        if row.point not in wanted:
            continue
        day, there = datetime.fromisoformat(row.sampled).date(), found.get(row.point)
        if there is None:
            found[row.point] = LatestResult(read=day, verdict=row.verdict, judged=day if row.verdict else None)
        elif there.verdict is None and row.verdict is not None:
            found[row.point] = msgspec.structs.replace(there, verdict=row.verdict, judged=day)
    return found
