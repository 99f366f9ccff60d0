"""Due dates of treatment units."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date

from stripread.monitoring.schedule.intervals import DueItem
from stripread.monitoring.sites import SiteInventory
from stripread.monitoring.trend.unit_ends import End


def changes(inventory: SiteInventory, ends: Mapping[str, Sequence[End]], today: date) -> Iterator[DueItem]:
    """Return the next change of each installed unit; one without a recorded installation is due today.

    ``ends``: dates of each installed unit, earliest first.
    """
    for unit in (inventory.units[id_] for id_ in ends):
        end = next(iter(ends[unit.id]), None)
        if end is None and inventory.renewed(unit.id) is None:
            end = End(on=today, basis="not recorded",
                      why="installation date unknown; record it with `stripread maintenance record`")
        if end is not None:
            yield DueItem(on=end.on, kind="treatment", subject=unit.id, what=f"change {unit.unit.name}", why=end.why,
                      site=unit.site, site_name=inventory.sites[unit.site].name)
