"""Which sampling points are to be tested: by their own rule or the interval for their place, or sooner by a plan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta

from stripread.monitoring.latest_results import LatestResult
from stripread.monitoring.schedule.intervals import ScheduleIntervals
from stripread.monitoring.schedule.item import DueItem
from stripread.monitoring.sites import SiteInventory
from stripread.store.models.sites import SamplingPoint


def tests(
    firm: SiteInventory, last: Mapping[str, LatestResult], intervals: ScheduleIntervals, today: date
) -> Iterator[DueItem]:
    """The next test of every sampling point, sooner where the plan for what was read there asks for it.

    One that was never read is due today.
    """
    for point in firm.points.values():
        there = last.get(point.id)
        days, why = _next(point, there, intervals)
        on = today if there is None else there.read + timedelta(days=days)
        yield DueItem(on=on, kind="test", subject=point.id, what=f"test {point.name} ({point.place})", why=why,
                  site=point.site, site_name=firm.sites[point.site].name)


def _next(point: SamplingPoint, there: LatestResult | None, intervals: ScheduleIntervals) -> tuple[int, str]:
    """Days from the last reading to the next, and why."""
    days = point.every_days or intervals.test.of(point.place)
    if there is None:
        return days, "never read"
    if there.test_in_days is not None and there.test_in_days < days:
        return there.test_in_days, f"last read {there.read}, what was read asks for {there.test_in_days} days"
    return days, f"last read {there.read}, every {days} days"
