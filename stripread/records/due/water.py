"""Which sampling points are to be tested: by their own rule, else by the interval for their place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta

from stripread.records.due.intervals import Intervals
from stripread.records.due.item import Due
from stripread.records.firm import Firm
from stripread.records.last import Last


def tests(firm: Firm, last: Mapping[str, Last], intervals: Intervals, today: date) -> Iterator[Due]:
    """The next test of every sampling point; one that was never read is due today."""
    for point in firm.points.values():
        days = point.every_days or intervals.test.of(point.place)
        there = last.get(point.id)
        on = today if there is None else there.read + timedelta(days=days)
        why = "never read" if there is None else f"last read {there.read}, every {days} days"
        yield Due(on=on, kind="test", subject=point.id, what=f"test {point.name} ({point.place})", why=why,
                  site=point.site, site_name=firm.sites[point.site].name)
