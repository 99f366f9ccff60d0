"""Dates of change of many units: those whose readings, services and limits are unchanged are not computed again.

A breakthrough curve takes some milliseconds to fit. The overview of thousands of sites is requested far more often than
a unit gets a reading.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from threading import Lock
from typing import Final

import msgspec

from stripread.monitoring.trend.unit_ends import End, Waters, ends_of
from stripread.store.models.sites import Unit

#: Units of which the dates are in memory; beyond it the oldest are computed again.
_MOST: Final = 50_000


class _KnownEnds:
    """Dates by the hash of all that they follow from, shared by the threads of a process."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._found: dict[bytes, tuple[End, ...]] = {}

    def of(self, waters: Waters, unit: Unit) -> tuple[End, ...]:
        key = _inputs(waters, unit)
        found = self._found.get(key)
        if found is None:
            found = tuple(ends_of(waters, unit))
            with self._lock:
                self._found[key] = found
                while len(self._found) > _MOST:
                    del self._found[next(iter(self._found))]
        return found


def _inputs(waters: Waters, unit: Unit) -> bytes:
    """Return the hash of everything that the dates of a unit follow from."""
    inventory, history = waters.inventory, waters.inventory.history(unit)
    mains = inventory.mains.get(unit.site, "")
    downstream = inventory.downstream.get(unit.id, [])
    read = [waters.read.get(p, ()) for p in (mains, *downstream)]
    ids = {r.id for there in read for r in there}
    corrected = sorted((key, value) for key, value in waters.corrected.items() if key[0] in ids)
    limits = [waters.limits, *(waters.own_limits.get(p) for p in downstream)]
    return hashlib.sha256(msgspec.msgpack.encode((
        unit, history.services, history.demand, [inventory.points[p] for p in downstream], read, corrected,
        waters.feed.get(mains), limits, waters.store.clock().date()))).digest()


_KNOWN: Final = _KnownEnds()


def ends_of_units(waters: Waters, units: Iterable[Unit]) -> dict[str, tuple[End, ...]]:
    """Return `ends_of` each unit by its id."""
    return {unit.id: _KNOWN.of(waters, unit) for unit in units}
