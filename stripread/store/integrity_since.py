"""Verification of what was recorded after a checkpoint; its time does not depend on the size of the store.

The entries continue the chain of the checkpoint; each record that they name has the contents of its last entry, and the
photographs among them are undamaged. Earlier records, the reading index, and rows that no entry names are not read: a
full verification, at longer intervals, checks them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any, Final

from sqlalchemy import Connection, Row, func, select

from stripread.reading.executors import SERIAL, Executor
from stripread.store import audit_trail
from stripread.store.integrity import (
    DiscrepancyError,
    IntegrityReport,
    VerificationState,
    check_head,
    check_links,
    check_row,
    check_triggers,
    damage_of,
    first_discrepancy,
    require,
)
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph
from stripread.store.photos.interface import digest
from stripread.store.schema import AUDIT_TRAIL, BODIES, BY_NAME, RECORD_TYPES, RecordType
from stripread.store.store import Store

#: Records fetched at a time.
_CHUNK: Final = 500
_PHOTOGRAPHS: Final = RECORD_TYPES[Photograph].name


def verify_since(store: Store, head: audit_trail.Checkpoint, executor: Executor = SERIAL) -> IntegrityReport:
    """Verify what was recorded after the checkpoint ``head``; ``executor``: reads the photographs.

    Raises RecordsError if the database cannot be read.
    """
    seen, photographs = VerificationState(), list[str]()
    with store.viewing() as connection:
        now = audit_trail.checkpoint(connection)
        wrong = first_discrepancy(store.where, lambda: photographs.extend(_check(connection, seen, head)))
    wrong = wrong or first_discrepancy(store.where, lambda: _check_photographs(store, photographs, executor))
    return IntegrityReport(head=now, records=len(seen.current), photographs=len(photographs), wrong=wrong,
                           notes=tuple(seen.notes))


def _check(connection: Connection, seen: VerificationState, head: audit_trail.Checkpoint) -> list[str]:
    """Check the database; return the photographs that have a file."""
    check_triggers(connection, seen)
    check_head(connection, head)
    later = select(AUDIT_TRAIL).where(AUDIT_TRAIL.c.seq > head.entries).order_by(AUDIT_TRAIL.c.seq)
    check_links(connection.execute(later, execution_options={"yield_per": _CHUNK}), seen, head)
    _check_accounts(connection, seen)
    photographs = []
    for kind in BY_NAME.values():
        ids = [id_ for name, id_ in seen.current if name == kind.name]
        for some in _chunks(ids):
            rows = _current(connection, kind, some)
            _check_records(kind, some, rows, seen)
            if kind.immutable:
                _check_new(connection, kind, some, head)
            if kind.name == _PHOTOGRAPHS:
                photographs += [row.id for row in rows.values() if row.removed is None]
    return photographs


def _current(connection: Connection, kind: RecordType, ids: Sequence[str]) -> dict[str, Row[Any]]:
    query = select(kind.table, BODIES.c.body).join(BODIES, kind.table.c.sha256 == BODIES.c.sha256)
    return {row.id: row for row in connection.execute(query.where(kind.table.c.id.in_(ids)))}


def _check_records(kind: RecordType, ids: Sequence[str], rows: dict[str, Row[Any]], seen: VerificationState) -> None:
    """Check that each record has the contents of its last entry, in its body and in its table."""
    for id_ in ids:
        where = f"{kind.name} {id_}"
        require(id_ in rows, where, "is missing, but is in the audit trail")
        row = rows[id_]
        require(row.sha256 == seen.current[kind.name, id_], where, "does not agree with the audit trail")
        require(digest(row.body.encode()) == row.sha256, f"bodies {row.sha256}", "was changed")
        check_row(kind, row, where)


def _check_new(connection: Connection, kind: RecordType, ids: Sequence[str], head: audit_trail.Checkpoint) -> None:
    """Check that no record of an immutable type was stored before the checkpoint already."""
    entries = AUDIT_TRAIL.c
    query = select(func.min(entries.record)).where(
        entries.record.in_(ids), entries.kind == kind.name, entries.seq <= head.entries)
    earlier = connection.scalar(query)
    require(earlier is None, f"{kind.name} {earlier}", "is immutable, but was changed after the checkpoint")


def _check_accounts(connection: Connection, seen: VerificationState) -> None:
    accounts = RECORD_TYPES[Account].table
    for some in _chunks(sorted(seen.actors)):
        known = set(connection.scalars(select(accounts.c.id).where(accounts.c.id.in_(some))))
        for actor in some:
            require(actor in known, f"account {actor}", "acted, but does not exist")


def _check_photographs(store: Store, ids: Sequence[str], executor: Executor) -> None:
    for damage in executor.map(damage_of, store.photographs.place, ids):
        if damage:
            raise DiscrepancyError(damage)


def _chunks(ids: Sequence[str]) -> Iterator[list[str]]:
    rest = iter(ids)
    while some := list(islice(rest, _CHUNK)):
        yield some
