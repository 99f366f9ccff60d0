"""What is looked after: sites that are not closed, with their points, units, machines, and the work done on them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import TypeVar

from stripread.monitoring.trend.events import is_removed, last_renewal, unit_upstream
from stripread.store.models.sites import Machine, SamplingPoint, Service, Site, Unit
from stripread.store.store import Store

_At = TypeVar("_At", SamplingPoint, Unit, Machine)


@dataclass(frozen=True)
class Scope:
    """Of which sites: all, or those of a ``group``, or one ``site``; ids."""

    site: str | None = None
    group: str | None = None

    def holds(self, site: Site) -> bool:
        """Whether a site is meant."""
        return self.site in (None, site.id) and self.group in (None, site.group)

    @property
    def whole(self) -> bool:
        """Whether it is all there is, what belongs to no site too."""
        return self.site is None and self.group is None


@dataclass(frozen=True)
class SiteInventory:
    """All of it as it stands on a day, by id."""

    sites: dict[str, Site]
    points: dict[str, SamplingPoint]
    units: dict[str, Unit]
    machines: dict[str, Machine]
    services: dict[str, list[Service]]

    def renewed(self, unit: str) -> Service | None:
        """The work that last left a unit as new; None where nobody says, or where it was removed since."""
        return last_renewal(self.services.get(unit, []))

    def removed(self, unit: str) -> bool:
        """Whether a unit is no longer in place."""
        return is_removed(self.services.get(unit, []))

    @cached_property
    def upstream(self) -> dict[str, Unit]:
        """By sampling point: the unit whose treated water it gives."""
        there = _by_site(self.units.values())
        removed = {unit for unit in self.units if self.removed(unit)}
        return {point.id: unit for point in self.points.values()
                if (unit := unit_upstream(point, there.get(point.site, ()), removed)) is not None}

    @cached_property
    def downstream(self) -> dict[str, list[str]]:
        """By unit: the sampling points of its treated water."""
        found: dict[str, list[str]] = defaultdict(list)
        for point, unit in self.upstream.items():
            found[unit.id].append(point)
        return found

    @cached_property
    def mains(self) -> dict[str, str]:
        """By site: the sampling point of its mains."""
        return {p.site: p.id for p in reversed(self.points.values()) if p.place == "mains"}

    def litres_per_day(self, unit: Unit) -> float | None:
        """By the unit's meter between the last two times it was noted, else what its machine or all machines take."""
        metered = [s for s in self.services.get(unit.id, []) if s.litres is not None]
        if len(metered) > 1:
            first, last = metered[-2:]
            days, litres = (last.at - first.at).total_seconds() / 86400, (last.litres or 0.0) - (first.litres or 0.0)
            if days >= 1 and litres > 0:
                return litres / days
        taken = [m.equipment.litres_per_day for m in self._machines_at.get(unit.site, ())
                 if unit.machine in (None, m.id)]
        return sum(taken) or None

    @cached_property
    def _machines_at(self) -> dict[str, list[Machine]]:
        return _by_site(self.machines.values())


def load_sites(store: Store, scope: Scope, today: date) -> SiteInventory:
    """What is looked after today. Raises RecordsError where the store cannot be read."""
    sites = {s.id: s for s in store.find(Site) if scope.holds(s) and not _over(s.closed, today)}
    points = [p for p in _within(store.find(SamplingPoint), sites) if not _over(p.closed, today)]
    machines = [m for m in _within(store.find(Machine), sites) if not _over(m.removed, today)]
    units = _within(store.find(Unit), sites)
    services: dict[str, list[Service]] = defaultdict(list)
    worked = store.find(Service) if scope.whole else [s for u in units for s in store.find(Service, unit=u.id)]
    for service in sorted(worked, key=_when):
        if service.struck is None:
            services[service.unit].append(service)
    return SiteInventory(sites=sites, points={p.id: p for p in points}, units={u.id: u for u in units},
                machines={m.id: m for m in machines}, services=dict(services))


def _when(service: Service) -> datetime:
    return service.at


def _over(day: date | None, today: date) -> bool:
    return day is not None and day <= today


def _within(records: Iterable[_At], sites: dict[str, Site]) -> list[_At]:
    return [r for r in records if r.site in sites]


def _by_site(records: Iterable[_At]) -> dict[str, list[_At]]:
    found: dict[str, list[_At]] = defaultdict(list)
    for record in records:
        found[record.site].append(record)
    return found
