"""The due list: overdue items, and items due within a number of weeks."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from itertools import groupby

import msgspec

from stripread.monitoring.schedule.intervals import DueItem, ScheduleIntervals
from stripread.monitoring.schedule.materials import materials
from stripread.monitoring.schedule.shopping import ShoppingList, load_demand, shopping
from stripread.monitoring.sites import Scope, load_sites
from stripread.monitoring.status import StatusOverview, overview
from stripread.store.store import Store


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
    """Return the due items of a scope with what is to be bought for them."""
    inventory = load_sites(store, scope, store.clock().date())
    seen = overview(store, intervals, scope=scope)
    until, found = seen.today + timedelta(weeks=weeks), due_items(store, intervals, seen, scope)
    changes = {i.subject: i.on for i in found if i.kind == "treatment"}
    return DueList(today=seen.today, until=until, items=tuple(i for i in found if i.on <= until),
                   shopping=shopping(inventory, changes, until, load_demand(store, inventory)))


def due_items(store: Store, intervals: ScheduleIntervals, seen: StatusOverview, scope: Scope) -> list[DueItem]:
    """Return all due items of a scope in order of their day; those of a site are those of its status.

    Strips, phones and cards belong to no site and are listed for all sites only.
    """
    found = [*(item for site in seen.sites for item in site.due),
             *(materials(store, intervals, seen.today) if scope.whole else ())]
    return sorted(found, key=lambda i: (i.on, i.site_name, i.kind, i.subject))
