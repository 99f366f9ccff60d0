"""Due dates of treatment units."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from stripread.monitoring.schedule.intervals import DueItem
from stripread.monitoring.trend.unit_ends import End, Waters, end_of


def changes(waters: Waters, today: date) -> Iterator[DueItem]:
    """Return the next change of each installed unit; one without a recorded installation is due today."""
    inventory = waters.inventory
    for unit in inventory.units.values():
        if inventory.removed(unit.id):
            continue
        end = end_of(waters, unit)
        if end is None and inventory.renewed(unit.id) is None:
            end = End(on=today, why="installation date unknown; record it with `stripread maintenance record`")
        if end is not None:
            yield DueItem(on=end.on, kind="treatment", subject=unit.id, what=f"change {unit.unit.name}", why=end.why,
                      site=unit.site, site_name=inventory.sites[unit.site].name)
