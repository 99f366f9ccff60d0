"""Latest reading, with a result or without, and latest assessed water of each sampling point."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any, Final, NamedTuple

import msgspec
from sqlalchemy import ColumnElement, ScalarSelect, select

from assess.decision import Verdict
from stripread.monitoring.assessed_water import AssessedWater, assessed_waters, sample_waters
from stripread.monitoring.valid_readings import is_valid_sql
from stripread.store.lookup import batches
from stripread.store.models.sites import SamplingPoint
from stripread.store.schema import READING_INDEX, RECORD_TYPES
from stripread.store.store import Store

_POINTS: Final = RECORD_TYPES[SamplingPoint].table
_THERE: Final = READING_INDEX.alias("there")


def latest_readings(store: Store, points: Iterable[str]) -> dict[str, tuple[str, Verdict | None]]:
    """Return id and verdict of the last reading by sampling point; points without readings are missing."""
    c = READING_INDEX.c
    last = _last(_THERE.c.reading, _THERE.c.superseded_by.is_(None))
    query = select(c.point, c.reading, c.verdict).select_from(_POINTS.join(READING_INDEX, c.reading == last))
    with store.viewing() as connection:
        return {row.point: (row.reading, row.verdict)
                for some in batches(points) for row in connection.execute(query.where(_POINTS.c.id.in_(some)))}


def _last(column: ColumnElement[str], *conditions: ColumnElement[bool]) -> ScalarSelect[Any]:
    """Return a column of the last row of the reading index at each sampling point: one entry of an index is read."""
    t = _THERE.c
    return (select(column).where(t.point == _POINTS.c.id, *conditions)
            .order_by(t.sampled.desc(), t.at.desc(), t.reading.desc()).limit(1).correlate(_POINTS).scalar_subquery())


class LatestResult(msgspec.Struct, frozen=True, kw_only=True):
    """Date of a point's last strip, laboratory or typed sample, and its latest assessed water, None if there is none.

    ``test_in_days``: interval in days to the next test that the plan for the last reading recommends; None: no plan.
    """

    read: date
    water: AssessedWater | None = None
    test_in_days: int | None = None

    @property
    def verdict(self) -> Verdict | None:
        """Verdict on the latest assessed water."""
        return None if self.water is None else self.water.verdict

    @property
    def judged(self) -> date | None:
        """Date of the latest assessed water."""
        return None if self.water is None else self.water.sampled.date()


class _Last(NamedTuple):
    """Times of the last reading and of the last assessed one, as stored."""

    read: str
    judged: str | None


def latest_results(store: Store, points: Iterable[str]) -> dict[str, LatestResult]:
    """Return the latest results of the points that have valid readings or assessed samples, by sampling point."""
    asked = set(points)
    found = _lasts(store, asked)
    waters = assessed_waters(store, {p: last.judged for p, last in found.items() if last.judged is not None})
    results = {p: _result(last, waters.get(p)) for p, last in found.items()}
    return results | {p: _with_sample(results.get(p), water) for p, water in sample_waters(store, asked).items()}


def _with_sample(read: LatestResult | None, water: AssessedWater) -> LatestResult:
    """Return the latest result of a point from its strips and its latest laboratory or typed sample."""
    day = water.sampled.date()
    if read is None or day >= read.read:
        return LatestResult(read=day, water=water, test_in_days=water.plan.test_in_days)
    if read.judged is None or day > read.judged:
        return LatestResult(read=read.read, water=water)
    return read


def _result(last: _Last, water: AssessedWater | None) -> LatestResult:
    planned = water.plan.test_in_days if water is not None and last.judged == last.read else None
    return LatestResult(read=datetime.fromisoformat(last.read).date(), water=water, test_in_days=planned)


def _lasts(store: Store, points: Iterable[str]) -> dict[str, _Last]:
    """Return the times of the last reading of each point, with and without an assessment."""
    valid = is_valid_sql(store.review, _THERE.c)
    read = _last(_THERE.c.sampled, *valid).label("read")
    judged = _last(_THERE.c.sampled, *valid, _THERE.c.verdict.is_not(None)).label("judged")
    query = select(_POINTS.c.id, read, judged)
    with store.viewing() as connection:
        return {row.id: _Last(row.read, row.judged) for some in batches(points)
                for row in connection.execute(query.where(_POINTS.c.id.in_(some))) if row.read is not None}
