"""Status and next action of every site: the one source for commands, reports and pages.

The headline is the water nearest to the machine, which is the treated water where there is any; the mains is given with
it. Maintenance schedule, calendar, shopping list and reports take their dates and actions from here.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final
from weakref import WeakKeyDictionary

import msgspec

from assess.decision import VERDICTS, Verdict
from assess.limits import SEVERITIES, Severity
from stripread.monitoring.assessed_water import AssessedWater, Deviation, DiagnosisSummary
from stripread.monitoring.cause_days import cause_days
from stripread.monitoring.latest_results import LatestResult, latest_results
from stripread.monitoring.next_action import water_actions, with_actions
from stripread.monitoring.schedule.intervals import DueItem, ScheduleIntervals, changes_due, tests_due
from stripread.monitoring.site_cache import SiteCache, ends_of_units
from stripread.monitoring.sites import Scope, SiteInventory, load_sites
from stripread.monitoring.trend.unit_ends import End, Waters, exhaustion_of, waters
from stripread.monitoring.verdict_runs import out_since
from stripread.store.models.sites import NEAREST, Place, SamplingPoint, Site, TreatmentDecision
from stripread.store.store import Store

#: Sites that a query names; for more it reads the records of all.
_MOST_NAMED: Final = 1000
_ORDER: Final[tuple[Verdict | None, ...]] = ("out-of-limits", "inconclusive", None, "within-limits")


class WaterStatus(msgspec.Struct, frozen=True, kw_only=True):
    """Latest assessed water of a sampling point, deviations most severe first.

    ``since``: day of the first reading of the unbroken run with this verdict. ``diagnosis``: of the unit upstream, None
    if the water was not compared with its feed water. ``point``, ``reading``, ``assessment``: ids of the records;
    ``reading`` is empty for laboratory and typed results, whose assessment is a `SampleAssessment`.
    """

    point: str
    name: str
    place: Place
    verdict: Verdict
    on: date
    since: date
    deviations: tuple[Deviation, ...]
    diagnosis: DiagnosisSummary | None
    reading: str
    assessment: str

    @property
    def first(self) -> Deviation | None:
        """The most severe deviation."""
        return next(iter(self.deviations), None)


class SiteStatus(msgspec.Struct, frozen=True, kw_only=True):
    """Status of a site.

    ``water``: nearest to the machine, treated where there is any; ``tap``: of the mains, where ``water`` is not of it;
    None: never assessed. ``last``: date of the last reading at the site, None if there is none. ``due``: all that is to
    be done, by date; ``next``: the next action, first of them. ``overdue``: number of items due before today.
    ``exhaustion``: day on which the treated water leaves its limits, with 95 % interval, of the first unit to do so.
    """

    site: str
    name: str
    group: str | None
    last: date | None
    verdict: Verdict | None
    water: WaterStatus | None
    tap: WaterStatus | None
    overdue: int
    next: DueItem | None
    due: tuple[DueItem, ...]
    exhaustion: End | None = None

    @property
    def severity(self) -> Severity | None:
        """Severity of the most severe deviation; None: within limits or never assessed."""
        first = self.water.first if self.water else None
        return first.severity if first else None

    @property
    def distance(self) -> float | None:
        """Distance of the most severe deviation beyond its limit, as in `Deviation`."""
        first = self.water.first if self.water else None
        return first.distance if first else None

    @property
    def rank(self) -> tuple[int, int, float, int, str]:
        """Sort key: verdict, severity, distance from the limit, number of overdue items, name."""
        severity = len(SEVERITIES) if self.severity is None else SEVERITIES.index(self.severity)
        return _ORDER.index(self.verdict), severity, -(self.distance or 0.0), -self.overdue, self.name


class StatusOverview(msgspec.Struct, frozen=True, kw_only=True):
    """Current status of all sites of a scope, most severe first."""

    today: date
    sites: tuple[SiteStatus, ...]

    def counts(self) -> dict[str, int]:
        """Return the number of sites by verdict, most severe first; "never judged": without an assessment."""
        counts = Counter[str](line.verdict or "never judged" for line in self.sites)
        return {words: counts[words] for words in (*reversed(VERDICTS), "never judged")}

    @property
    def overdue(self) -> int:
        """Number of sites with overdue items."""
        return sum(line.overdue > 0 for line in self.sites)


_KNOWN: Final[WeakKeyDictionary[Store, SiteCache[SiteStatus]]] = WeakKeyDictionary()


def overview(store: Store, intervals: ScheduleIntervals, *, scope: Scope) -> StatusOverview:
    """Return the current status of the open sites of a scope.

    Statuses are computed again only for sites with changed records, once those of all sites were asked for.
    """
    today, known = store.clock().date(), _KNOWN.setdefault(store, SiteCache())
    key = (today, msgspec.json.encode(intervals), store.review)
    if not (scope.whole or known.has(key)):
        return overview_of(load_sites(store, scope, today), store, intervals)

    def compute(sites: frozenset[str] | None) -> dict[str, SiteStatus]:
        inventory = load_sites(store, Scope(sites=sites), today)
        return {status.site: status for status in overview_of(inventory, store, intervals).sites}

    statuses = known.values(store, key, compute).values()
    return StatusOverview(today=today, sites=_by_rank(s for s in statuses if scope.includes(s.site, s.group)))


def status_of(store: Store, intervals: ScheduleIntervals, site: str) -> SiteStatus:
    """Return the status of one site; a closed one has nothing due. Raises RecordsError for an unknown site."""
    today, closed = store.clock().date(), store.get(Site, site).closed
    if closed is None or closed > today:
        return overview(store, intervals, scope=Scope(site=site)).sites[0]
    (status,) = overview_of(load_sites(store, Scope(site=site), date.min), store, intervals).sites
    return msgspec.structs.replace(status, due=(), next=None, overdue=0)


def overview_of(inventory: SiteInventory, store: Store, intervals: ScheduleIntervals) -> StatusOverview:
    """Return the current status of the sites of an inventory."""
    today = store.clock().date()
    last = latest_results(store, inventory.points)
    return StatusOverview(today=today, sites=_by_rank(
        _Statuses(waters(store, inventory), last, intervals, today).all()))


def _by_rank(sites: Iterable[SiteStatus]) -> tuple[SiteStatus, ...]:
    return tuple(sorted(sites, key=lambda site: site.rank))


@dataclass(frozen=True, slots=True)
class _Statuses:
    """What the status of a site is made of."""

    waters: Waters
    last: Mapping[str, LatestResult]
    intervals: ScheduleIntervals
    today: date

    @property
    def _inventory(self) -> SiteInventory:
        return self.waters.inventory

    def all(self) -> Iterator[SiteStatus]:
        """Return the status of every site."""
        points = self._points()
        chosen = {id_: self._waters(there) for id_, there in points.items()}
        used = {w.point: w.verdict for pair in chosen.values() for w in pair if w is not None}
        since = out_since(self.waters.store, used)
        causes = cause_days(self.waters.store, (water for water, _ in chosen.values() if water is not None), since)
        ends = ends_of_units(
            self.waters, (u for u in self._inventory.units.values() if not self._inventory.removed(u.id)))
        decisions = self._decisions()
        units: dict[str, list[str]] = defaultdict(list)
        for id_ in ends:
            units[self._inventory.units[id_].site].append(id_)
        due: dict[str, list[DueItem]] = defaultdict(list)
        for item in (*tests_due(self._inventory, self.last, self.intervals, self.today),
                     *changes_due(self._inventory, ends, self.today)):
            due[item.site].append(item)
        for site in self._inventory.sites.values():
            water, tap = chosen.get(site.id, (None, None))
            items = with_actions(due[site.id], water_actions(self._inventory, site, (water, tap), causes,
                                                             decisions.get(site.id)))
            exhausted = [e for u in units[site.id] if (e := exhaustion_of(ends[u])) is not None]
            status = self._status(site, points[site.id], (self._water(water, since), self._water(tap, since)), items)
            yield msgspec.structs.replace(status, exhaustion=min(exhausted, key=lambda e: e.on, default=None))

    def _decisions(self) -> dict[str, TreatmentDecision]:
        """Return the latest open decision by site."""
        sites = frozenset(self._inventory.sites)
        decisions = self.waters.store.find(TreatmentDecision, **({"site": sites} if len(sites) < _MOST_NAMED else {}))
        return {d.site: d for d in sorted(decisions, key=lambda d: d.at) if d.open}

    def _points(self) -> dict[str, list[SamplingPoint]]:
        points: dict[str, list[SamplingPoint]] = defaultdict(list)
        for point in self._inventory.points.values():
            points[point.site].append(point)
        return points

    def _waters(self, points: Sequence[SamplingPoint]) -> tuple[AssessedWater | None, AssessedWater | None]:
        """Return the most severe of the waters nearest to a machine, and the latest of the mains if that is another."""
        assessed = [(p.place, w) for p in points if p.id in self.last and (w := self.last[p.id].water) is not None]
        if not assessed:
            return None, None
        nearest = min((place for place, _ in assessed), key=NEAREST.index)
        water = min((w for place, w in assessed if place == nearest), key=_severe)
        mains = [w for place, w in assessed if place == "mains" and w is not water]
        return water, max(mains, key=lambda w: w.sampled, default=None) if nearest != "mains" else None

    def _water(self, water: AssessedWater | None, since: Mapping[str, date]) -> WaterStatus | None:
        if water is None:
            return None
        point, on = self._inventory.points[water.point], water.sampled.date()
        return WaterStatus(point=point.id, name=point.name, place=point.place, verdict=water.verdict, on=on,
                           since=since.get(point.id, on), deviations=water.deviations,
                           diagnosis=water.diagnosis, reading=water.reading,
                           assessment=water.assessment)

    def _status(
        self, site: Site, points: Sequence[SamplingPoint], pair: tuple[WaterStatus | None, WaterStatus | None],
        items: Sequence[DueItem],
    ) -> SiteStatus:
        water, tap = pair
        due = tuple(sorted(items, key=lambda item: item.rank))
        read = [self.last[p.id].read for p in points if p.id in self.last]
        return SiteStatus(
            site=site.id, name=site.name, group=site.group, last=max(read, default=None),
            verdict=water.verdict if water else None, water=water, tap=tap, due=due, next=next(iter(due), None),
            overdue=sum(item.on < self.today for item in due))


def _severe(water: AssessedWater) -> tuple[int, tuple[int, bool, int, float], float]:
    first = next((d.rank for d in water.deviations), (0, False, len(SEVERITIES), 0.0))
    return -VERDICTS.index(water.verdict), first, -water.sampled.timestamp()
