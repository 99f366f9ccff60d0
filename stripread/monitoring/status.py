"""Current status of sites: last reading, verdict, overdue items."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from datetime import date, timedelta

import msgspec

from assess.decision import VERDICTS, Verdict
from stripread.monitoring.latest_results import LatestResult, latest_results
from stripread.monitoring.schedule.due import tests, unit_changes
from stripread.monitoring.schedule.intervals import DueItem, ScheduleIntervals
from stripread.monitoring.sites import Scope, SiteInventory, load_sites
from stripread.store.models.sites import NEAREST, SamplingPoint
from stripread.store.store import Store


class SiteStatus(msgspec.Struct, frozen=True, kw_only=True):
    """Status of a site: ``verdict`` on the latest assessed reading of the ``point`` nearest to the machine, its date.

    ``last``: date of the last reading at the site, None if there is none. ``overdue``: number of overdue items;
    ``next``: the earliest due item, overdue or not.
    """

    site: str
    name: str
    group: str | None
    last: date | None
    verdict: Verdict | None
    point: str
    judged: date | None
    overdue: int
    next: DueItem | None


class StatusOverview(msgspec.Struct, frozen=True, kw_only=True):
    """Current status of all sites of a scope, most severe first."""

    today: date
    sites: tuple[SiteStatus, ...]

    def counts(self) -> dict[str, int]:
        """Return the number of sites by verdict, most severe first; "never judged": without an assessment."""
        found = Counter[str](line.verdict or "never judged" for line in self.sites)
        return {words: found[words] for words in (*reversed(VERDICTS), "never judged")}

    @property
    def overdue(self) -> int:
        """Number of sites with overdue items."""
        return sum(line.overdue > 0 for line in self.sites)


def overview(store: Store, intervals: ScheduleIntervals, *, scope: Scope) -> StatusOverview:
    """Return the current status of the sites of a scope."""
    today = store.clock().date()
    inventory = load_sites(store, scope, today)
    last = latest_results(store, inventory.points)
    due: dict[str, list[DueItem]] = defaultdict(list)
    for item in (*tests(inventory, last, intervals, today), *unit_changes(store, inventory, today)):
        due[item.site].append(item)
    return StatusOverview(today=today, sites=tuple(sorted(_lines(inventory, last, due, today), key=_gravity)))


def _lines(
    inventory: SiteInventory, last: Mapping[str, LatestResult], due: Mapping[str, list[DueItem]], today: date
) -> Iterator[SiteStatus]:
    points: dict[str, list[SamplingPoint]] = defaultdict(list)
    for point in sorted(inventory.points.values(), key=lambda p: NEAREST.index(p.place)):
        points[point.site].append(point)
    for site in inventory.sites.values():
        read = [(p, last[p.id]) for p in points[site.id] if p.id in last]
        name, judged = next(((p.name, there) for p, there in read if there.verdict), ("", None))
        items = sorted(due.get(site.id, ()), key=lambda item: item.on)
        yield SiteStatus(
            site=site.id, name=site.name, group=site.group, last=max((there.read for _, there in read), default=None),
            verdict=judged.verdict if judged else None, point=name, judged=judged.judged if judged else None,
            overdue=sum(item.on < today for item in items), next=next(iter(items), None))


def _gravity(line: SiteStatus) -> tuple[int, int, timedelta, str]:
    """Return the sort key: out of limits, inconclusive, never assessed, within limits; then number and age overdue."""
    order: tuple[Verdict | None, ...] = ("out", "undecided", None, "in")
    first = timedelta() if line.next is None else line.next.on - date.min
    return order.index(line.verdict), -line.overdue, first, line.name
