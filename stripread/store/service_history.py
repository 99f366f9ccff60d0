"""The service history of a treatment unit: what was done to it, whether it is in place, which points it feeds."""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from datetime import datetime
from typing import Final, NamedTuple

from stripread.store.models.sites import SamplingPoint, Service, Unit
from stripread.store.store import Store

#: Work after which a unit is as new.
RENEWED: Final = ("fitted", "cartridge changed")


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
    return next((s.job for s in reversed(services) if s.job in ("fitted", "removed")), None) == "removed"


class UnitState(NamedTuple):
    """A unit at a time: whether it is in place, and its last renewal."""

    in_place: bool
    renewal: Service | None


def history_until(services: Sequence[Service], at: datetime) -> UnitState:
    """Return the state of a unit at a time, from its services in order of time.

    A unit whose first installation is later is not in place; one without any recorded installation is.
    """
    before = [s for s in services if s.at <= at]
    later = any(s.job == "fitted" and s.at > at for s in services)
    installed = any(s.job in (*RENEWED, "setting changed", "cleaned", "inspected") for s in before)
    return UnitState((installed or not later) and not is_removed(before), last_renewal(before))
