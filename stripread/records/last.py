"""When each sampling point was last read, and how it was last judged."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from typing import Any, Final

import msgspec
from sqlalchemy import ColumnElement, func, select

from assess.decision import Verdict
from stripread.records.kinds.record import stamp
from stripread.records.schema import LISTED
from stripread.records.store import Store
from stripread.records.trend.standing import stands

#: Looked at first: of most points the last reading is not older, and then the rest need not be read.
_RECENT: Final = timedelta(days=120)


class Last(msgspec.Struct, frozen=True, kw_only=True):
    """The day of a point's last reading; the verdict on the latest that was judged, and its day; None: none was."""

    read: date
    verdict: Verdict | None = None
    judged: date | None = None


def last_of(store: Store, points: Iterable[str], *, two: bool = False) -> dict[str, Last]:
    """By sampling point, for those that were ever read; readings that do not count are passed over."""
    wanted = list(points)
    recent = _rows(store, LISTED.c.sampled >= stamp(store.clock() - _RECENT), two=two)
    found = _lasts(recent, set(wanted))
    missing = [p for p in wanted if p not in found or found[p].verdict is None]
    return {**found, **_lasts(_rows(store, LISTED.c.point.in_(missing), two=two), set(missing))}


def _rows(store: Store, condition: ColumnElement[bool], *, two: bool) -> Sequence[Any]:
    """The last reading of each point and verdict, the latest first."""
    c = LISTED.c
    query = (select(c.point, c.verdict, func.max(c.sampled).label("sampled")).where(condition, *stands(two=two))
             .group_by(c.point, c.verdict))
    with store.viewing() as connection:
        return sorted(connection.execute(query), key=lambda row: str(row.sampled), reverse=True)


def _lasts(rows: Sequence[Any], wanted: set[str]) -> dict[str, Last]:
    found: dict[str, Last] = {}
    for row in rows:
        if row.point not in wanted:
            continue
        day, there = datetime.fromisoformat(row.sampled).date(), found.get(row.point)
        if there is None:
            found[row.point] = Last(read=day, verdict=row.verdict, judged=day if row.verdict else None)
        elif there.verdict is None and row.verdict is not None:
            found[row.point] = msgspec.structs.replace(there, verdict=row.verdict, judged=day)
    return found
