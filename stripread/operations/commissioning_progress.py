"""How far the commissioning of a unit is: set today, then tap and outlet photographed, as the records show."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final, Literal

from stripread.monitoring.sites import Scope, SiteInventory, load_sites
from stripread.monitoring.valid_readings import ValidReading, latest
from stripread.store.models.sites import NEAREST, Job, SamplingPoint, Service, Site, Unit
from stripread.store.store import Store

#: Work with which a commissioning begins; an earlier one than of this time is another commissioning.
_BEGINS: Final[tuple[Job, ...]] = ("fitted", "cartridge changed", "setting changed", "inspected")
_LASTS: Final = timedelta(hours=24)
#: What is to be done next.
Step = Literal["set", "tap", "outlet", "result"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CommissioningProgress:
    """A unit with the sampling points of its feed water and of its treated water, None where there is none.

    ``turned``: work with which this commissioning began. ``last_tap`` and ``last_outlet``: latest readings of both
    waters. ``setting``: the one on file, as a share.
    """

    unit: Unit
    site: Site
    feed: SamplingPoint | None
    treated: SamplingPoint | None
    setting: float | None
    turned: Service | None
    last_tap: ValidReading | None
    last_outlet: ValidReading | None

    @property
    def tap(self) -> ValidReading | None:
        """The reading of the feed water that belongs to this commissioning."""
        found = self.last_tap
        return found if found and self.turned and found.at > self.turned.at - _LASTS else None

    @property
    def outlet(self) -> ValidReading | None:
        """The reading of the treated water that belongs to this commissioning."""
        found = self.last_outlet
        return found if found and self.turned and found.at > self.turned.at else None

    @property
    def too_old(self) -> ValidReading | None:
        """The latest reading of the water that is to be photographed next, which was sampled too early to count."""
        return self.last_tap if self.step == "tap" else self.last_outlet if self.step == "outlet" else None

    @property
    def step(self) -> Step:
        """What is to be done next."""
        if self.turned is None:
            return "set"
        if self.tap is None:
            return "tap"
        return "outlet" if self.outlet is None else "result"


def commissioning_progress(store: Store, unit: Unit) -> CommissioningProgress:
    """Return how far the commissioning of a unit is. The tap may be photographed before the unit is set."""
    now = store.clock()
    inventory = load_sites(store, Scope(site=unit.site), now.date())
    feed, treated = inventory.mains.get(unit.site), _outlet(inventory, unit)
    done = inventory.services.get(unit.id, [])
    turned = next((s for s in reversed(done) if s.job in _BEGINS and now - s.at <= _LASTS), None)
    read = {r.point: r for r in latest(store, [p for p in (feed, treated) if p], 1)}
    return CommissioningProgress(
        unit=unit, site=store.get(Site, unit.site), feed=inventory.points[feed] if feed else None,
        treated=inventory.points[treated] if treated else None, turned=turned,
        setting=next((s.setting for s in reversed(done) if s.setting is not None), None),
        last_tap=read.get(feed or ""), last_outlet=read.get(treated or ""))


def _outlet(inventory: SiteInventory, unit: Unit) -> str | None:
    """Return the sampling point of a unit's treated water; the nearest to the unit, not to the machine."""
    there = [inventory.points[p] for p in inventory.downstream.get(unit.id, ())]
    return max(there, key=lambda p: (NEAREST.index(p.place), p.id)).id if there else None
