"""Supply zones: the mains of sites that are fed by the same water, and changes that several of them share."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import date
from typing import Final

import msgspec

from stripread.monitoring.sites import Scope, load_sites
from stripread.monitoring.trend.change_points import LevelStep, Segment, levels
from stripread.monitoring.trend.series import load_visits, series
from stripread.monitoring.valid_readings import valid_readings
from stripread.store.store import Store

#: Analytes whose level is that of the mains; the others change on the way to the tap.
_ANALYTES: Final = ("hardness", "alkalinity", "chloride")
#: Number of sites that share a change.
_SHARED: Final = 2


class SiteLevel(msgspec.Struct, frozen=True, kw_only=True):
    """Present level of an analyte in the mains of a site, in the analyte's unit, with its 95 % interval."""

    site: str
    analyte: str
    value: float
    low: float
    high: float


class ZoneChange(msgspec.Struct, frozen=True, kw_only=True):
    """Change of the mains that several ``sites`` share, between two days; ``size``: mean, in the analyte's unit."""

    analyte: str
    after: date
    before: date
    size: float
    sites: tuple[str, ...]


class SupplyZone(msgspec.Struct, frozen=True, kw_only=True):
    """A zone with its sites (names), their levels and shared changes, latest first.

    ``apart``: analytes whose levels at two sites do not overlap: these sites may be fed by different mains.
    """

    zone: str
    sites: tuple[str, ...]
    levels: tuple[SiteLevel, ...]
    changes: tuple[ZoneChange, ...]
    apart: tuple[str, ...]


def supply_zones(store: Store, scope: Scope) -> list[SupplyZone]:
    """Return the zones of the open sites of a scope; sites without a zone are left out."""
    inventory = load_sites(store, scope, store.clock().date())
    zones: dict[str, list[str]] = defaultdict(list)
    for site in inventory.sites.values():
        if site.zone:
            zones[site.zone].append(site.id)
    return [_zone(store, zone, {inventory.sites[s].name: inventory.mains[s] for s in sites if s in inventory.mains},
                  tuple(inventory.sites[s].name for s in sites)) for zone, sites in sorted(zones.items())]


def _zone(store: Store, zone: str, mains: dict[str, str], sites: tuple[str, ...]) -> SupplyZone:
    present: list[SiteLevel] = []
    steps: dict[str, list[tuple[str, LevelStep]]] = defaultdict(list)
    for name, point in mains.items():
        visits = load_visits(store, valid_readings(store, points=[point]))
        for analyte in _ANALYTES:
            segments = levels(series(analyte, visits))
            steps[analyte] += [(name, step) for step in segments.steps]
            present += [_level(name, analyte, segment) for segment in segments.levels[-1:]]
    changes = [change for analyte, there in steps.items() for change in _shared(analyte, there)]
    return SupplyZone(zone=zone, sites=sites, levels=tuple(present), apart=tuple(_apart(present)),
                      changes=tuple(sorted(changes, key=lambda c: c.before, reverse=True)))


def _level(site: str, analyte: str, segment: Segment) -> SiteLevel:
    return SiteLevel(site=site, analyte=analyte, value=segment.value, low=segment.low, high=segment.high)


def _shared(analyte: str, steps: Iterable[tuple[str, LevelStep]]) -> Iterator[ZoneChange]:
    """Yield the changes in one direction whose dates overlap at several sites."""
    left = sorted(steps, key=lambda one: one[1].before)
    while left:
        first = left[0][1]
        same = [(site, s) for site, s in left if s.after <= first.before and (s.size > 0) == (first.size > 0)]
        left = [one for one in left if one not in same]
        if len({site for site, _ in same}) >= _SHARED:
            yield ZoneChange(
                analyte=analyte, after=max(s.after for _, s in same), before=min(s.before for _, s in same),
                size=sum(s.size for _, s in same) / len(same), sites=tuple(dict.fromkeys(site for site, _ in same)))


def _apart(present: list[SiteLevel]) -> Iterator[str]:
    for analyte in _ANALYTES:
        there = [level for level in present if level.analyte == analyte]
        if there and max(level.low for level in there) > min(level.high for level in there):
            yield analyte
