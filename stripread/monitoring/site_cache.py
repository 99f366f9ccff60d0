"""Values of sites and units that are kept in memory and computed again only where what they follow from has changed.

The audit trail names every change, also those of other servers, so that a value is never out of date. The overview of
thousands of sites is requested far more often than a site gets a reading.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping
from threading import Lock
from typing import Final, Generic, TypeVar

import msgspec
from sqlalchemy import Connection, select

from shared.decoders import from_json
from stripread.monitoring.trend.unit_ends import End, Waters, ends_of
from stripread.store.audit_trail import AuditEntry, checkpoint
from stripread.store.models.evidence import (
    Correction,
    LabResult,
    Photograph,
    Review,
    SampleAssessment,
    StoredAssessment,
    StoredReading,
)
from stripread.store.models.materials import OwnTerms
from stripread.store.models.record import Record
from stripread.store.models.sites import Machine, SamplingPoint, Service, Site, TreatmentDecision, Unit
from stripread.store.schema import AUDIT_TRAIL, BODIES, BY_NAME, RECORD_TYPES, decode_part
from stripread.store.store import Store

#: The reference of each record type that leads to its site; each refers to a later type.
_REFERENCES: Final[dict[type[Record], type[Record]]] = {
    StoredAssessment: StoredReading, Review: StoredReading, Correction: StoredReading, StoredReading: Photograph,
    SampleAssessment: SamplingPoint, LabResult: SamplingPoint, Photograph: SamplingPoint, Service: Unit,
    TreatmentDecision: Site, Machine: Site, Unit: Site, SamplingPoint: Site}
_COLUMNS: Final[dict[type[Record], str]] = {
    StoredReading: "reading", Photograph: "photograph", SamplingPoint: "point", Unit: "unit", Site: "site"}
#: Changed records, and ids in a statement, beyond which all sites count as changed.
_MOST: Final = 5_000
#: The part of a record that may change with each of these columns only.
_PARTS: Final = {name: msgspec.defstruct(name, [(name, str | None, None)]) for name in ("site", "unit", "point")}


def changed_sites(connection: Connection, after: int) -> frozenset[str] | None:
    """Return the sites whose records have entries after the entry ``after``; None: any site may have changed.

    A record that was moved counts at its earlier sites too.
    """
    changed = _changed(connection, after)
    if sum(map(len, changed.values())) > _MOST or changed[OwnTerms]:
        return None
    for type_, target in _REFERENCES.items():
        if len(changed[type_]) > _MOST:
            return None
        if changed[type_]:
            changed[target] |= _referred(connection, type_, _COLUMNS[target], changed[type_])
    return frozenset(changed[Site])


def _changed(connection: Connection, after: int) -> dict[type[Record], set[str]]:
    """Return the ids of the changed records by type; one more than `_MOST` at most."""
    c, ids = AUDIT_TRAIL.c, defaultdict[type[Record], set[str]](set)
    query = select(c.kind, c.record).where(c.seq > after, c.kind != "").distinct().limit(_MOST + 1)
    for kind, record in connection.execute(query):
        ids[BY_NAME[kind].type].add(record)
    return ids


def _referred(connection: Connection, type_: type[Record], column: str, ids: Iterable[str]) -> set[str]:
    """Return the ids to which a column of the records refers, or has referred."""
    kind, listed = RECORD_TYPES[type_], list(ids)
    if kind.immutable:
        return set(connection.scalars(select(kind.table.c[column]).where(kind.table.c.id.in_(listed)).distinct()))
    c = AUDIT_TRAIL.c
    entries = connection.scalars(select(c.entry).where(c.kind == kind.name, c.record.in_(listed)))
    bodies = {from_json(entry, AuditEntry).body for entry in entries}
    texts = connection.scalars(select(BODIES.c.body).where(BODIES.c.sha256.in_(bodies)))
    references = (getattr(decode_part(type_, text, _PARTS[column]), column) for text in texts)
    return {id_ for id_ in references if id_ is not None}


T = TypeVar("T")
#: Returns the values of these sites by site, or of all; sites without a value are missing.
Compute = Callable[[frozenset[str] | None], Mapping[str, T]]


class SiteCache(Generic[T]):
    """Values by site, shared by the threads of a process; one computes them while the others wait."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._values: Mapping[str, T] = {}
        self._key: Hashable = None
        self._entries = 0

    def has(self, key: Hashable) -> bool:
        """Return whether values under this key are known, perhaps not the latest."""
        return self._key == key

    def values(self, store: Store, key: Hashable, compute: Compute[T]) -> Mapping[str, T]:
        """Return the values of all sites; ``key``: everything but the records of sites that they follow from."""
        with self._lock:
            with store.viewing() as connection:
                # Read before the values: what changes in between is computed once more next time.
                entries = checkpoint(connection).entries
                changed = changed_sites(connection, self._entries) if self._key == key else None
            if changed is None:
                self._values = compute(None)
            elif changed:
                kept = {site: value for site, value in self._values.items() if site not in changed}
                self._values = {**kept, **compute(changed)}
            self._key, self._entries = key, entries
            return self._values


#: Units of which the dates are in memory; beyond it the oldest are computed again.
_MOST_UNITS: Final = 50_000


class _KnownEnds:
    """Dates by the hash of all that they follow from, shared by the threads of a process."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._found: dict[bytes, tuple[End, ...]] = {}

    def of(self, waters: Waters, unit: Unit) -> tuple[End, ...]:
        key = _inputs(waters, unit)
        ends = self._found.get(key)
        if ends is None:
            ends = tuple(ends_of(waters, unit))
            with self._lock:
                self._found[key] = ends
                while len(self._found) > _MOST_UNITS:
                    del self._found[next(iter(self._found))]
        return ends


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
