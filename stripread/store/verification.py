"""Verification of a store in use: what was recorded after a checkpoint, the record of a full one, proof of an entry.

Entries after a checkpoint continue its chain; each record that they name has the contents of its last entry, and the
photographs among them are undamaged. The time does not depend on the size of the store. Earlier records, the reading
index, and rows that no entry names are not read: a full verification, at longer intervals, checks them.

The chain is linear, so the proof of an entry contains every entry from there to the checkpoint. Entries contain
pseudonymous ids, no names and no values.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from hashlib import sha256
from itertools import islice
from typing import Any, Final, Literal

import msgspec
from sqlalchemy import Connection, Row, func, select

from stripread.reading.executors import SERIAL, Executor
from stripread.store import audit_trail
from stripread.store.audit_trail import START, AuditEntry, ChainLink, Checkpoint, chain_hash
from stripread.store.backup.archive import Progress, without_progress
from stripread.store.errors import RecordsError
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
    verify_store,
)
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph
from stripread.store.models.materials import Verification
from stripread.store.models.record import new_id
from stripread.store.photos import digest
from stripread.store.schema import AUDIT_TRAIL, BODIES, BY_NAME, RECORD_TYPES, RecordType, decode
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


def verify_and_record(store: Store, by: str, progress: Progress[str] = without_progress) -> IntegrityReport:
    """Verify the store and record the outcome under the account ``by``; the report is that of `verify_store`."""
    verification = verify_store(store, progress=progress)
    with store.writing(by) as transaction:
        transaction.put(Verification(
            id=new_id(), at=transaction.now, account=by, records=verification.records,
            photographs=verification.photographs, entries=verification.head.entries,
            wrong=verification.wrong, notes=verification.notes), "verified")
    return verification


def last_verification(store: Store) -> Verification | None:
    """Return the latest recorded verification, or None."""
    table = RECORD_TYPES[Verification].table
    query = select(BODIES.c.body).join(table, table.c.sha256 == BODIES.c.sha256).order_by(table.c.at.desc()).limit(1)
    with store.viewing() as connection:
        body = connection.scalar(query)
    return None if body is None else decode(Verification, body)


#: Records of an ambiguous prefix that the message names.
_SHOWN: Final = 5


class AuditProof(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``body``: contents of the record; ``before``: hash of the entry before the first of ``entries``."""

    body: str
    before: str
    entries: tuple[str, ...]
    checkpoint: Checkpoint
    format: Literal["audit-proof/1"] = "audit-proof/1"

    @property
    def entry(self) -> AuditEntry:
        """The entry on the record."""
        return ChainLink(text=self.entries[0], hash="").entry()


def prove(store: Store, record: str, upto: Checkpoint | None = None) -> AuditProof:
    """Return the proof of a record's contents; ``upto``: a checkpoint exported earlier [default: the present one].

    Raises RecordsError where the record has no entry before the checkpoint, or the checkpoint is of another trail.
    """
    upto, t = upto or store.head(), AUDIT_TRAIL.c
    with store.viewing() as connection:
        record = _full_id(connection, record, upto)
        rows = connection.execute(select(t.seq, t.entry).where(t.record == record, t.seq <= upto.entries)
                                  .order_by(t.seq.desc()).limit(1)).one()
        body = connection.scalar(select(BODIES.c.body).where(
            BODIES.c.sha256 == ChainLink(text=rows.entry, hash="").entry().body))
        before = connection.scalar(select(t.hash).where(t.seq == rows.seq - 1)) or START
        entries = connection.scalars(select(t.entry).where(t.seq.between(rows.seq, upto.entries)).order_by(t.seq)).all()
    made = AuditProof(body=body or "", before=before, entries=tuple(entries), checkpoint=upto)
    if wrong := fault_of(made, upto):
        raise RecordsError("the record cannot be proved", where=f"record {record}", found=wrong,
                           remedy="find the damage with `stripread audit verify`")
    return made


def _full_id(connection: Connection, record: str, upto: Checkpoint) -> str:
    """Return the id of the record that has this id, or this unique prefix of it, in the entries up to a checkpoint."""
    t, where = AUDIT_TRAIL.c, f"checkpoint of {upto.entries} entries"
    ids = connection.scalars(select(t.record).distinct().limit(_SHOWN).order_by(t.record).where(
        t.record.startswith(record, autoescape=True), t.seq <= upto.entries)).all()
    if record in ids or len(ids) == 1:
        return record if record in ids else ids[0]
    if ids:
        raise RecordsError("several records have this prefix", where=where, found=record, allowed=", ".join(ids))
    raise RecordsError("the audit trail has no entry on this record before the checkpoint", where=where, found=record,
                       remedy="list its entries with `stripread audit list --record`")


def fault_of(proof: AuditProof, checkpoint: Checkpoint) -> str:
    """Return why a proof fails against a checkpoint from another source; empty if it is valid."""
    if not proof.entries or sha256(proof.body.encode()).hexdigest() != proof.entry.body:
        return "the contents are not those that the entry records"
    fault = proof.before
    for text in proof.entries:
        fault = chain_hash(fault, text)
    if fault != checkpoint.hash or proof.entry.seq + len(proof.entries) - 1 != checkpoint.entries:
        return "the entries do not lead to the checkpoint"
    return ""
