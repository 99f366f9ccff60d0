"""Inventory of open sites with their sampling points, units, machines and service records."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import TypeVar

from stripread.intake.unit_history import UnitHistory, is_removed, last_renewal, unit_upstream
from stripread.store.models.sites import Machine, SamplingPoint, Service, Site, Unit
from stripread.store.site_access import ALL_SITES, SiteAccess
from stripread.store.store import Store

_At = TypeVar("_At", SamplingPoint, Unit, Machine)


@dataclass(frozen=True)
class Scope:
    """Selection of sites by id: all, those of a ``group``, one ``site``, or ``sites``; ``access``: of the account."""

    site: str | None = None
    group: str | None = None
    access: SiteAccess = ALL_SITES
    sites: frozenset[str] | None = None

    def includes(self, site: str, group: str | None) -> bool:
        """Return whether a site of a group is selected."""
        return (self.site in (None, site) and self.group in (None, group) and self.access.includes(group)
                and (self.sites is None or site in self.sites))

    @property
    def whole(self) -> bool:
        """Whether all sites are selected, so that items without a site are included too."""
        return self == Scope(access=self.access) and self.access.groups is None


@dataclass(frozen=True)
class SiteInventory:
    """Sites and their equipment on a day, by id; services by unit, in order of time."""

    sites: dict[str, Site]
    points: dict[str, SamplingPoint]
    units: dict[str, Unit]
    machines: dict[str, Machine]
    services: dict[str, list[Service]]

    def renewed(self, unit: str) -> Service | None:
        """Return the last renewal of a unit; None if none is recorded or the unit was removed since."""
        return last_renewal(self.services.get(unit, []))

    def removed(self, unit: str) -> bool:
        """Return whether a unit was removed."""
        return is_removed(self.services.get(unit, []))

    @cached_property
    def upstream(self) -> dict[str, Unit]:
        """Unit upstream of each sampling point, by sampling point."""
        units_by_site = _by_site(self.units.values())
        removed = {unit for unit in self.units if self.removed(unit)}
        return {point.id: unit for point in self.points.values()
                if (unit := unit_upstream(point, units_by_site.get(point.site, ()), removed)) is not None}

    @cached_property
    def downstream(self) -> dict[str, list[str]]:
        """Sampling points of the treated water of each unit, by unit."""
        points: dict[str, list[str]] = defaultdict(list)
        for point, unit in self.upstream.items():
            points[unit.id].append(point)
        return points

    @cached_property
    def mains(self) -> dict[str, str]:
        """Sampling point of the mains of each site, by site."""
        return {p.site: p.id for p in reversed(self.points.values()) if p.place == "mains"}

    def history(self, unit: Unit) -> UnitHistory:
        """Return a unit with its services and the demand of its machines."""
        taken = [m.equipment.litres_per_day for m in self._machines_at.get(unit.site, ())
                 if unit.machine in (None, m.id)]
        return UnitHistory(unit, self.services.get(unit.id, []), sum(taken) or None)

    def litres_per_day(self, unit: Unit) -> float | None:
        """Return the flow from the last meter readings of the unit, else the demand of its machine or machines."""
        history = self.history(unit)
        return history.litres_per_day(history.services[-1].at) if history.services else history.demand

    @cached_property
    def _machines_at(self) -> dict[str, list[Machine]]:
        return _by_site(self.machines.values())


def load_sites(store: Store, scope: Scope, today: date) -> SiteInventory:
    """Return the sites of a scope that are open today. Raises RecordsError if the store cannot be read."""
    sites = {s.id: s for s in _of_scope(store, scope) if not _has_ended(s.closed, today)}
    at = {} if scope.whole else {"site": frozenset(sites)}
    points = [p for p in _within(store.find(SamplingPoint, **at), sites) if not _has_ended(p.closed, today)]
    machines = [m for m in _within(store.find(Machine, **at), sites) if not _has_ended(m.removed, today)]
    units = _within(store.find(Unit, **at), sites)
    services: dict[str, list[Service]] = defaultdict(list)
    service_records = store.find(Service) if scope.whole else store.find(Service, unit=frozenset(u.id for u in units))
    for service in sorted(service_records, key=_time_of):
        if service.struck is None:
            services[service.unit].append(service)
    return SiteInventory(sites=sites, points={p.id: p for p in points}, units={u.id: u for u in units},
                machines={m.id: m for m in machines}, services=dict(services))


def _of_scope(store: Store, scope: Scope) -> list[Site]:
    asked = {"id": scope.site or scope.sites, "group": scope.group}
    wanted: dict[str, object] = {name: value for name, value in asked.items() if value}
    if scope.access.groups is not None and scope.group is None:
        wanted["group"] = scope.access.groups
    return [s for s in store.find(Site, **wanted) if scope.includes(s.id, s.group)]


def _time_of(service: Service) -> datetime:
    return service.at


def _has_ended(day: date | None, today: date) -> bool:
    return day is not None and day <= today


def _within(records: Iterable[_At], sites: dict[str, Site]) -> list[_At]:
    return [r for r in records if r.site in sites]


def _by_site(records: Iterable[_At]) -> dict[str, list[_At]]:
    groups: dict[str, list[_At]] = defaultdict(list)
    for record in records:
        groups[record.site].append(record)
    return groups
