"""How sites stand, a line each: last reading, verdict, what is overdue."""

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
    """A site; ``verdict`` on the latest judged reading of the point nearest to the machine, its name and that day.

    ``last``: the day on which anything was read there; None: never. ``overdue``: how many things; ``next``: what
    comes first of all that is due, overdue or not.
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
    """All sites of a scope as they stand today, the worst first."""

    today: date
    sites: tuple[SiteStatus, ...]

    def counts(self) -> dict[str, int]:
        """How many sites stand how, the gravest first; "never judged" for those without a verdict."""
        found = Counter[str](line.verdict or "never judged" for line in self.sites)
        return {words: found[words] for words in (*reversed(VERDICTS), "never judged")}

    @property
    def overdue(self) -> int:
        """Sites with something overdue."""
        return sum(line.overdue > 0 for line in self.sites)


def overview(store: Store, intervals: ScheduleIntervals, *, scope: Scope) -> StatusOverview:
    """How the sites of a scope stand today."""
    today = store.clock().date()
    kept = load_sites(store, scope, today)
    last = latest_results(store, kept.points)
    due: dict[str, list[DueItem]] = defaultdict(list)
    for item in (*tests(kept, last, intervals, today), *unit_changes(store, kept, today)):
        due[item.site].append(item)
    return StatusOverview(today=today, sites=tuple(sorted(_lines(kept, last, due, today), key=_gravity)))


def _lines(
    kept: SiteInventory, last: Mapping[str, LatestResult], due: Mapping[str, list[DueItem]], today: date
) -> Iterator[SiteStatus]:
    points: dict[str, list[SamplingPoint]] = defaultdict(list)
    for point in sorted(kept.points.values(), key=lambda p: NEAREST.index(p.place)):
        points[point.site].append(point)
    for site in kept.sites.values():
        read = [(p, last[p.id]) for p in points[site.id] if p.id in last]
        name, judged = next(((p.name, there) for p, there in read if there.verdict), ("", None))
        items = sorted(due.get(site.id, ()), key=lambda item: item.on)
        yield SiteStatus(
            site=site.id, name=site.name, group=site.group, last=max((there.read for _, there in read), default=None),
            verdict=judged.verdict if judged else None, point=name, judged=judged.judged if judged else None,
            overdue=sum(item.on < today for item in items), next=next(iter(items), None))


def _gravity(line: SiteStatus) -> tuple[int, int, timedelta, str]:
    """Out, undecided, never judged, in; then the longest overdue."""
    order: tuple[Verdict | None, ...] = ("out", "undecided", None, "in")
    first = timedelta() if line.next is None else line.next.on - date.min
    return order.index(line.verdict), -line.overdue, first, line.name
