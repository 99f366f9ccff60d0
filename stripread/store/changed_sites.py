"""Sites at which records have changed since an entry of the audit trail."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Final

import msgspec
from sqlalchemy import Connection, select

from shared.decoders import from_json
from stripread.store.audit_trail import AuditEntry
from stripread.store.models.decisions import TreatmentDecision
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
from stripread.store.models.sites import Machine, SamplingPoint, Service, Site, Unit
from stripread.store.schema import AUDIT_TRAIL, BODIES, BY_NAME, RECORD_TYPES, decode_part

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
    c, found = AUDIT_TRAIL.c, defaultdict[type[Record], set[str]](set)
    query = select(c.kind, c.record).where(c.seq > after, c.kind != "").distinct().limit(_MOST + 1)
    for kind, record in connection.execute(query):
        found[BY_NAME[kind].type].add(record)
    return found


def _referred(connection: Connection, type_: type[Record], column: str, ids: Iterable[str]) -> set[str]:
    """Return the ids to which a column of the records refers, or has referred."""
    kind, listed = RECORD_TYPES[type_], list(ids)
    if kind.immutable:
        return set(connection.scalars(select(kind.table.c[column]).where(kind.table.c.id.in_(listed)).distinct()))
    c = AUDIT_TRAIL.c
    entries = connection.scalars(select(c.entry).where(c.kind == kind.name, c.record.in_(listed)))
    bodies = {from_json(entry, AuditEntry).body for entry in entries}
    texts = connection.scalars(select(BODIES.c.body).where(BODIES.c.sha256.in_(bodies)))
    found = (getattr(decode_part(type_, text, _PARTS[column]), column) for text in texts)
    return {id_ for id_ in found if id_ is not None}
