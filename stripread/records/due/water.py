"""Which sampling points are to be tested: by their own rule, else by the interval for their place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, datetime, timedelta

from sqlalchemy import func, select

from stripread.records.due.intervals import Intervals
from stripread.records.due.item import Due
from stripread.records.firm import Firm
from stripread.records.listing import standing_of
from stripread.records.schema import LISTED
from stripread.records.store import Store


def last_read(store: Store, *, two: bool = False) -> dict[str, date]:
    """By sampling point: the day of the last reading that gave values and counts; ``two``: two reviewers reject."""
    c = LISTED.c
    query = (select(c.point, func.max(c.sampled).label("last")).group_by(c.point)
             .where(c.status == "read", c.superseded_by.is_(None), c.point.is_not(None),
                    standing_of(c, two=two) != "rejected"))
    with store.viewing() as connection:
        return {row.point: datetime.fromisoformat(row.last).date() for row in connection.execute(query)}


def tests(firm: Firm, last: Mapping[str, date], intervals: Intervals, today: date) -> Iterator[Due]:
    """The next test of every sampling point; one that was never read is due today."""
    for point in firm.points.values():
        days = point.every_days or intervals.test.of(point.place)
        read = last.get(point.id)
        on = today if read is None else read + timedelta(days=days)
        why = "never read" if read is None else f"last read {read}, every {days} days"
        yield Due(on=on, kind="test", subject=point.id, what=f"test {point.name} ({point.place})", why=why,
                  site=point.site, site_name=firm.sites[point.site].name)
