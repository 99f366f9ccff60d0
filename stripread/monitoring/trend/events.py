"""Events that may change the readings of a point: service of its treatment unit, and a new strip batch or chart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import pairwise

import msgspec

from stripread.monitoring.trend.visits import Visit
from stripread.store.models.sites import Service


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """An event; ``water``: it may change the water itself, not only how it is measured."""

    at: datetime
    what: str
    water: bool


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
