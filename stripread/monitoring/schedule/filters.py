"""When treatment units are to be changed, as things that are due."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from stripread.monitoring.schedule.intervals import DueItem
from stripread.monitoring.trend.unit_ends import End, Waters, end_of


def changes(waters: Waters, today: date) -> Iterator[DueItem]:
    """The next change of every unit in place; a unit without a recorded fitting is to be looked up today."""
    firm = waters.firm
    for unit in firm.units.values():
        if firm.removed(unit.id):
            continue
        end = end_of(waters, unit)
        if end is None and firm.renewed(unit.id) is None:
            end = End(on=today, why="no fitting is recorded: record it with `stripread records service`")
        if end is not None:
            yield DueItem(on=end.on, kind="treatment", subject=unit.id, what=f"change {unit.unit.name}", why=end.why,
                      site=unit.site, site_name=firm.sites[unit.site].name)
