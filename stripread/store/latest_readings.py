"""The last current reading of each sampling point, whether it has a result or not."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import func, select

from assess.decision import Verdict
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
