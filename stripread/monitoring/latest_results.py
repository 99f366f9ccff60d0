"""Latest reading, with a result or without, and latest assessed water of each sampling point."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from typing import Any, Final, NamedTuple

import msgspec
from sqlalchemy import ColumnElement, func, select

from assess.decision import Verdict
from stripread.monitoring.assessed_water import AssessedWater, assessed_waters, sample_waters
from stripread.monitoring.valid_readings import is_valid_sql
from stripread.store.models.record import stamp
from stripread.store.schema import READING_INDEX
from stripread.store.store import Store


def latest_readings(store: Store, points: Iterable[str]) -> dict[str, tuple[str, Verdict | None]]:
    """Return id and verdict of the last reading by sampling point; points without readings are missing."""
    c = READING_INDEX.c
    last = (select(c.point, func.max(c.sampled).label("sampled"))
            .where(c.point.is_not(None), c.superseded_by.is_(None)).group_by(c.point).subquery())
    query = (select(c.point, c.reading, c.verdict)
             .join(last, (c.point == last.c.point) & (c.sampled == last.c.sampled))
             .where(c.superseded_by.is_(None)).order_by(c.at, c.reading))
    wanted = set(points)
    with store.viewing() as connection:
        return {row.point: (row.reading, row.verdict) for row in connection.execute(query) if row.point in wanted}


#: Period that is queried first: few points have an older last reading, and only for these the rest is queried.
_RECENT: Final = timedelta(days=120)


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
    wanted = list(points)
    asked = set(wanted)
    found = _lasts(_rows(store, READING_INDEX.c.sampled >= stamp(store.clock() - _RECENT)), asked)
    missing = [p for p in wanted if p not in found or found[p].judged is None]
    found |= _lasts(_rows(store, READING_INDEX.c.point.in_(missing)), set(missing))
    waters = assessed_waters(store, {p: last.judged for p, last in found.items() if last.judged is not None})
    results = {p: _result(last, waters.get(p)) for p, last in found.items()}
    return results | {p: _with_sample(results.get(p), water) for p, water in sample_waters(store).items()
                      if p in asked}


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


def _rows(store: Store, condition: ColumnElement[bool]) -> Sequence[Any]:
    """Return the time of the last reading of each point, with and without an assessment."""
    c = READING_INDEX.c
    assessed = c.verdict.is_not(None)
    query = (
        select(c.point, assessed.label("assessed"), func.max(c.sampled).label("sampled"))
        .where(condition, *is_valid_sql(store.review))
        .group_by(c.point, assessed)
    )
    with store.viewing() as connection:
        return connection.execute(query).all()


def _lasts(rows: Sequence[Any], wanted: set[str]) -> dict[str, _Last]:
    found: dict[str, _Last] = {}
    for row in rows:
        if row.point in wanted:
            there = found.get(row.point, _Last("", None))
            found[row.point] = _Last(max(there.read, row.sampled), row.sampled if row.assessed else there.judged)
    return found
