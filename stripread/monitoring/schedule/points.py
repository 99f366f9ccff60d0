"""Due dates at sampling points: tests, and changes of treatment units."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta

from stripread.monitoring.latest_results import LatestResult
from stripread.monitoring.schedule.intervals import DueItem, ScheduleIntervals
from stripread.monitoring.sites import SiteInventory
from stripread.monitoring.trend.unit_ends import End
from stripread.store.models.sites import SamplingPoint, Unit


def changes_due(inventory: SiteInventory, ends: Mapping[str, Sequence[End]], today: date) -> Iterator[DueItem]:
    """Return the next change of each installed unit; one without a recorded installation is due today.

    ``ends``: dates of each installed unit, earliest first.
    """
    for unit in (inventory.units[id_] for id_ in ends):
        end = next(iter(ends[unit.id]), None)
        if end is None and inventory.renewed(unit.id) is None:
            end = End(on=today, basis="not recorded",
                      why="installation date unknown; record it with `stripread maintenance record`")
        if end is not None:
            yield DueItem(on=end.on, kind="treatment", subject=unit.id, what=_change(unit), why=end.why,
                          site=unit.site, site_name=inventory.sites[unit.site].name)


def _change(unit: Unit) -> str:
    """Return the task as diagnosis and recorded work call it; what an osmosis unit wears out is its membrane."""
    part = "membrane" if "osmosis" in unit.unit.kind else "cartridge"
    return f"change the {part} ({unit.unit.name})"


def tests_due(
    inventory: SiteInventory, last: Mapping[str, LatestResult], intervals: ScheduleIntervals, today: date
) -> Iterator[DueItem]:
    """Return the next test of each sampling point; the latest plan for the point can only make it earlier.

    A point without readings is due today.
    """
    for point in inventory.points.values():
        there = last.get(point.id)
        days, why = _next(point, there, intervals)
        on = today if there is None else there.read + timedelta(days=days)
        yield DueItem(on=on, kind="test", subject=point.id, what=f"test {point.name} ({point.place})", why=why,
                  site=point.site, site_name=inventory.sites[point.site].name)


def _next(point: SamplingPoint, there: LatestResult | None, intervals: ScheduleIntervals) -> tuple[int, str]:
    """Return the days from the last reading to the next, and the reason."""
    days = point.every_days or intervals.test.of(point.place)
    if there is None:
        return days, "never tested"
    if there.test_in_days is not None and there.test_in_days < days:
        return (
            there.test_in_days,
            f"last tested on {there.read}; that result requires a test after {there.test_in_days} days",
        )
    return days, f"last tested on {there.read}; every {days} days"
