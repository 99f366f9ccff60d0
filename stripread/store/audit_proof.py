"""Proof that a record with these contents was in the audit trail before a checkpoint, to be checked without the store.

The chain is linear, so the proof contains every entry from the record's last one to the checkpoint. Entries contain
pseudonymous ids, no names and no values.
"""

from __future__ import annotations

from hashlib import sha256
from typing import Final, Literal

import msgspec
from sqlalchemy import Connection, select

from stripread.store.audit_trail import START, AuditEntry, ChainLink, Checkpoint, chain_hash
from stripread.store.errors import RecordsError
from stripread.store.schema import AUDIT_TRAIL, BODIES
from stripread.store.store import Store

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
    found = proof.before
    for text in proof.entries:
        found = chain_hash(found, text)
    if found != checkpoint.hash or proof.entry.seq + len(proof.entries) - 1 != checkpoint.entries:
        return "the entries do not lead to the checkpoint"
    return ""
