"""Events that may change the readings of a point: service of its treatment unit, and a new strip batch or chart."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Sequence
from datetime import datetime
from itertools import pairwise
from typing import Final

import msgspec

from stripread.monitoring.trend.visits import Visit
from stripread.store.models.sites import SamplingPoint, Service, Unit
from stripread.store.store import Store

#: Work after which a unit is as new.
RENEWED: Final = ("fitted", "cartridge changed")


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """An event; ``water``: it may change the water itself, not only how it is measured."""

    at: datetime
    what: str
    water: bool


def unit_upstream(point: SamplingPoint, there: Iterable[Unit], removed: Container[str]) -> Unit | None:
    """Of the treatment units at its site the one whose water a point gives: the one it names, else the only one.

    ``removed``: ids of units no longer in place. They, and at a machine units of others, are none that it may mean.
    """
    if point.place == "mains":
        return None
    fits = [u for u in there if (point.unit == u.id if point.unit else u.id not in removed and (
        not point.machine or u.machine in (None, point.machine)))]
    return fits[0] if len(fits) == 1 else None


def services(store: Store, unit: Unit) -> list[Service]:
    """All work on a unit in order of time, without what was entered in error."""
    return sorted((s for s in store.find(Service, unit=unit.id) if s.struck is None), key=lambda s: s.at)


def last_renewal(services: Sequence[Service]) -> Service | None:
    """Of the work on a unit in order of time what last left it as new; None if nothing did, or it was removed since."""
    last = next((s for s in reversed(services) if s.job in (*RENEWED, "removed")), None)
    return None if last is None or last.job == "removed" else last


def is_removed(services: Sequence[Service]) -> bool:
    """Whether the last that is told of a unit's fitting, in order of time, is that it was removed."""
    return next((s.job for s in reversed(services) if s.job in ("fitted", "removed")), None) == "removed"


def events(services: Sequence[Service], visits: Sequence[Visit]) -> tuple[Event, ...]:
    """Return service of the unit and the first reading on each new batch or chart, in order of time."""
    return tuple(sorted((*_work(services), *_batches(visits)), key=lambda m: m.at))


def _work(services: Sequence[Service]) -> Iterator[Event]:
    for s in services:
        setting = "" if s.setting is None else f" (setting {100 * s.setting:.0f} %)"
        yield Event(at=s.at, what=f"{s.job}{setting}", water=s.job != "inspected")


def _batches(visits: Sequence[Visit]) -> Iterator[Event]:
    for before, after in pairwise(visits):
        if after.chart != before.chart:
            same = after.batch == before.batch
            yield Event(at=after.at, what=f"{'new chart of batch' if same else 'batch'} {after.batch or 'unnamed'}",
                       water=False)
