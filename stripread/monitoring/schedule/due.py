"""The due list: overdue items, and items due within a number of weeks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from itertools import groupby

import msgspec

from stripread.monitoring.latest_results import LatestResult, latest_results
from stripread.monitoring.schedule.filters import changes
from stripread.monitoring.schedule.intervals import DueItem, ScheduleIntervals
from stripread.monitoring.schedule.materials import materials
from stripread.monitoring.schedule.shopping import ShoppingList, shopping
from stripread.monitoring.sites import Scope, SiteInventory, load_sites
from stripread.monitoring.trend.unit_ends import waters
from stripread.store.models.sites import SamplingPoint
from stripread.store.store import Store


def tests(
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
        return days, "never read"
    if there.test_in_days is not None and there.test_in_days < days:
        return (
            there.test_in_days,
            f"last read {there.read}, that result requires a test after {there.test_in_days} days",
        )
    return days, f"last read {there.read}, every {days} days"


class DueList(msgspec.Struct, frozen=True, kw_only=True):
    """Items due by the day ``until``, longest overdue first; ``shopping``: the units to buy for them."""

    today: date
    until: date
    items: tuple[DueItem, ...]
    shopping: ShoppingList

    @property
    def overdue(self) -> tuple[DueItem, ...]:
        """Items due before today."""
        return tuple(i for i in self.items if i.on < self.today)

    def weeks(self) -> Iterator[tuple[date, list[DueItem]]]:
        """Return the Monday of each week with the items due in it, from today on."""
        for monday, items in groupby((i for i in self.items if i.on >= self.today),
                                     key=lambda i: i.on - timedelta(days=i.on.weekday())):
            yield monday, list(items)


def due_list(store: Store, intervals: ScheduleIntervals, *, scope: Scope, weeks: int) -> DueList:
    """Return the due items of a scope; strips, phones and cards belong to no site and are listed for all sites only."""
    today = store.clock().date()
    until = today + timedelta(weeks=weeks)
    inventory = load_sites(store, scope, today)
    change = unit_changes(store, inventory, today)
    found = [*tests(inventory, latest_results(store, inventory.points), intervals, today), *change,
             *(materials(store, intervals, today) if scope.whole else ())]
    items = sorted((i for i in found if i.on <= until), key=lambda i: (i.on, i.site_name, i.kind, i.subject))
    return DueList(today=today, until=until, items=tuple(items),
                   shopping=shopping(inventory, {i.subject: i.on for i in change}, until))


def unit_changes(store: Store, inventory: SiteInventory, today: date) -> list[DueItem]:
    """Return the next change of every treatment unit, however far ahead."""
    return list(changes(waters(store, inventory), today))
