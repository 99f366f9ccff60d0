"""History of a treatment unit: its services, whether it is in place, which points it feeds, how far it is used."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from math import isfinite
from typing import Final, NamedTuple

from assess.treatment.unit import Kind
from shared.water.molar import MG_CACO3_PER_EQ
from shared.water.treating import litres_to_exhaustion
from stripread.store.models.sites import SamplingPoint, Service, Unit
from stripread.store.store import Store

#: Work after which a unit is as new.
RENEWED: Final = ("installed", "cartridge changed")


def unit_upstream(point: SamplingPoint, there: Iterable[Unit], removed: Container[str]) -> Unit | None:
    """Return the treatment unit upstream of a point: the one that the point names, else the only one at its site.

    ``removed``: ids of units no longer in place. They, and at a machine units of others, are none that it may mean.
    """
    if point.place == "mains":
        return None
    fits = [u for u in there if (point.unit == u.id if point.unit else u.id not in removed and (
        not point.machine or u.machine in (None, point.machine)))]
    return fits[0] if len(fits) == 1 else None


def services(store: Store, unit: Unit) -> list[Service]:
    """Return all services of a unit in order of time, without those entered in error."""
    return sorted((s for s in store.find(Service, unit=unit.id) if s.struck is None), key=lambda s: s.at)


def last_renewal(services: Sequence[Service]) -> Service | None:
    """Return a unit's last renewal, from its services in order of time; None without one or after a removal."""
    last = next((s for s in reversed(services) if s.job in (*RENEWED, "removed")), None)
    return None if last is None or last.job == "removed" else last


def is_removed(services: Sequence[Service]) -> bool:
    """Return whether a unit is removed, from its services in order of time."""
    return next((s.job for s in reversed(services) if s.job in ("installed", "removed")), None) == "removed"


class UnitState(NamedTuple):
    """A unit at a time: whether it is in place, and its last renewal."""

    in_place: bool
    renewal: Service | None


def history_until(services: Sequence[Service], at: datetime) -> UnitState:
    """Return the state of a unit at a time, from its services in order of time.

    A unit whose first installation is later is not in place; one without any recorded installation is.
    """
    before = [s for s in services if s.at <= at]
    later = any(s.job == "installed" and s.at > at for s in services)
    installed = any(s.job in (*RENEWED, "setting changed", "cleaned", "inspected") for s in before)
    return UnitState((installed or not later) and not is_removed(before), last_renewal(before))


#: Analytes that load an exchanger, as mg/L CaCO3 of its feed water: the smallest of them applies.
LOADING_ANALYTES: Final[dict[Kind, tuple[str, ...]]] = {
    "weak-acid-exchange": ("hardness", "alkalinity"), "sodium-softening": ("hardness",)}


@dataclass(frozen=True, slots=True)
class UnitHistory:
    """A unit with its services in order of time; ``demand``: litres per day of its machines, None if not known."""

    unit: Unit
    services: Sequence[Service]
    demand: float | None

    def setting(self, at: datetime) -> float | None:
        """Return the setting on file at a time."""
        return next((s.setting for s in reversed(self.services) if s.setting is not None and s.at <= at), None)

    def litres_per_day(self, at: datetime) -> float | None:
        """Return the flow from the last two meter readings until a time, else the demand of the machines."""
        metered = [s for s in self.services if s.litres is not None and s.at <= at]
        for first, last in pairwise(reversed(metered)):
            days = (first.at - last.at).total_seconds() / 86400
            litres = (first.litres or 0.0) - (last.litres or 0.0)
            if days >= 1 and litres > 0:
                return litres / days
        return self.demand

    def litres(self, at: datetime) -> float | None:
        """Return the volume since the last renewal: by the meter until its last reading, then at the present flow."""
        renewed, flow = history_until(self.services, at).renewal, self.litres_per_day(at)
        if renewed is None or flow is None:
            return None
        metered = [s for s in self.services if s.litres is not None and renewed.at < s.at <= at]
        start, through = renewed.at, 0.0
        if metered and renewed.litres is not None and metered[-1].litres is not None and (
                metered[-1].litres >= renewed.litres):
            start, through = metered[-1].at, metered[-1].litres - renewed.litres
        return through + flow * (at - start).total_seconds() / 86400

    def capacity_litres(self, at: datetime, feed: Mapping[str, float]) -> float | None:
        """Return the volume until half of what it removes passes, from its capacity and feed water (mg/L CaCO3)."""
        return capacity_litres(self.unit, self.setting(at), feed)

    def used(self, at: datetime, feed: Mapping[str, float]) -> float | None:
        """Return the share of the capacity that is used at a time; None if volume or capacity is not known."""
        litres, capacity = self.litres(at), self.capacity_litres(at, feed)
        return None if litres is None or not capacity else litres / capacity


def capacity_litres(unit: Unit, setting: float | None, feed: Mapping[str, float]) -> float | None:
    """Return the volume in litres until exhaustion of an exchanger; None if its capacity or feed is not known."""
    capacity = unit.unit.working_eq
    analytes = LOADING_ANALYTES.get(unit.unit.kind, ())
    if capacity is None or not analytes or not all(a in feed for a in analytes):
        return None
    through = (1.0 - (setting or 0.0)) * unit.unit.removal
    litres = float(litres_to_exhaustion(capacity, through * min(feed[a] for a in analytes) / MG_CACO3_PER_EQ))
    return litres if isfinite(litres) else None
