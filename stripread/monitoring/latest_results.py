"""When each sampling point was last read, and how it was last judged."""

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
#: Looked at first: of most points the last reading is not older, and then the rest need not be read.
_RECENT: Final = timedelta(days=120)


class LatestResult(msgspec.Struct, frozen=True, kw_only=True):
    """The day of a point's last reading; the verdict on the latest that was judged, and its day; None: none was.

    ``test_in_days``: after how many days the plan made for the last reading asks for the next; None: it has none.
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
    """Of an assessment all that is asked for here."""

    assessment: _Assessment


def latest_results(store: Store, points: Iterable[str]) -> dict[str, LatestResult]:
    """By sampling point, for those that were ever read; readings that do not count are passed over."""
    wanted = list(points)
    recent = _rows(store, LISTED.c.sampled >= stamp(store.clock() - _RECENT))
    found = _lasts(recent, set(wanted))
    missing = [p for p in wanted if p not in found or found[p].verdict is None]
    older = _rows(store, LISTED.c.point.in_(missing))
    found |= _lasts(older, set(missing))
    asked = _asked(store, {row.point: row.sampled for row in reversed((*recent, *older)) if row.point in found})
    return {p: msgspec.structs.replace(there, test_in_days=asked.get(p)) for p, there in found.items()}


def _asked(store: Store, sampled: Mapping[str, str]) -> dict[str, int]:
    """By point: in how many days the latest plan for its reading of that moment asks for the next."""
    if not sampled:
        return {}
    c, a, told = LISTED.c, _ASSESSMENTS.c, moments(sampled)
    query = (select(c.point, BODIES.c.body).join(told, (c.point == told.c.point) & (c.sampled == told.c.moment))
             .join(_ASSESSMENTS, a.id == c.assessment).join(BODIES, BODIES.c.sha256 == a.sha256)
             .order_by(c.at, c.reading))
    with store.viewing() as connection:
        return {row.point: decode_part(StoredAssessment, row.body, _Assessed).assessment.plan.test_in_days
                for row in connection.execute(query)}


def _rows(store: Store, condition: ColumnElement[bool]) -> Sequence[Any]:
    """The last reading of each point and verdict, the latest first."""
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
