"""The audit trail: an append-only, hash-chained log.

``h_i = SHA-256(h_(i-1) || canonical(entry_i))``, ``h_0`` 32 zero bytes. Entries contain strings and whole numbers
under ASCII names; their canonical form is that of RFC 8785. A truncated end is detected only with a `Checkpoint`
that was exported before and is stored elsewhere.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from typing import Final, Literal

import msgspec
from sqlalchemy import Connection, insert, select

from shared.decoders import from_json
from stripread.store.errors import RecordsError
from stripread.store.models.record import Moment, stamp
from stripread.store.schema import AUDIT_TRAIL

START: Final = bytes(32).hex()
#: Actions as earlier versions wrote them, and those of this version. Entries are never changed: the chain binds them.
_EARLIER_ACTIONS: Final = {
    "account made": "account created", "ended a token": "token revoked", "kept": "registered", "let go": "purged",
    "made a token": "token created", "read": "evaluated", "reread": "re-evaluated", "seen": "phone registered",
    "told": "recorded", "told more": "information added"}
#: Rows fetched at a time.
_CHUNK: Final = 500
_HASH: Final = re.compile("[0-9a-f]{64}")


class AuditEntry(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which account did what, when, to which record; ``body``: SHA-256 of the record's contents after the action.

    ``when`` is the time of the system clock, which may be wrong; the order is that of ``seq``.
    """

    seq: int
    #: Under the key that the hashes of earlier entries bind.
    account: str = msgspec.field(name="who")
    when: str
    what: str
    kind: str = ""
    record: str = ""
    body: str = ""
    why: str = ""

    @property
    def action(self) -> str:
        """The action in the terms of this version, for people."""
        return _EARLIER_ACTIONS.get(self.what, self.what)

    def canonical(self) -> str:
        """Return the canonical text of the entry."""
        return json.dumps(msgspec.to_builtins(self), sort_keys=True, separators=(",", ":"), ensure_ascii=False)


class Checkpoint(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Number of entries and hash of the last; together they identify all entries up to it."""

    entries: int
    hash: str
    #: The second as earlier versions wrote it, in checkpoints that are kept elsewhere.
    format: Literal["checkpoint/1", "log-head/1"] = "checkpoint/1"


class ChainLink(msgspec.Struct, frozen=True, kw_only=True):
    """An entry as canonical ``text`` with its ``hash``: `chain_hash` of the previous hash and the text."""

    text: str
    hash: str

    def entry(self) -> AuditEntry:
        """Return the decoded entry."""
        return from_json(self.text, AuditEntry)


class AuditedAction(msgspec.Struct, frozen=True, kw_only=True):
    """An action: by which account, when, what and why."""

    account: str
    when: Moment
    what: str
    why: str = ""


class AuditSubject(msgspec.Struct, frozen=True, kw_only=True):
    """The record that an action concerns; empty fields if it concerns none."""

    kind: str = ""
    record: str = ""
    body: str = ""


def chain_hash(previous: str, entry: str) -> str:
    """Return the hash (hex) of an entry (canonical text) that follows the entry with the hash ``previous``."""
    return hashlib.sha256(bytes.fromhex(previous) + entry.encode()).hexdigest()


def checkpoint(connection: Connection) -> Checkpoint:
    """Return the present checkpoint of the audit trail."""
    last = connection.execute(
        select(AUDIT_TRAIL.c.seq, AUDIT_TRAIL.c.hash).order_by(AUDIT_TRAIL.c.seq.desc()).limit(1)
    ).first()
    return Checkpoint(entries=last.seq, hash=last.hash) if last else Checkpoint(entries=0, hash=START)


def chain_links(connection: Connection, *, last: int | None = None, record: str | None = None) -> Iterator[ChainLink]:
    """Return entries in order, with hashes: the ``last`` ones, or those on records whose id begins with ``record``."""
    query = select(AUDIT_TRAIL.c.entry, AUDIT_TRAIL.c.hash).order_by(AUDIT_TRAIL.c.seq.desc()).limit(last)
    if record is not None:
        query = query.where(AUDIT_TRAIL.c.record.startswith(record, autoescape=True))
    chosen = query.add_columns(AUDIT_TRAIL.c.seq).subquery()
    rows = connection.execute(select(chosen.c.entry, chosen.c.hash).order_by(chosen.c.seq),
                              execution_options={"yield_per": _CHUNK})
    return (ChainLink(text=row.entry, hash=row.hash) for row in rows)


def append(connection: Connection, action: AuditedAction, subject: AuditSubject) -> None:
    """Append an entry in the transaction of the change that it records; there is one writer at a time."""
    last = checkpoint(connection)
    if not _HASH.fullmatch(last.hash):
        raise RecordsError("the audit trail is damaged; nothing was added to it",
                           where=f"audit trail entry {last.entries}",
                           found=repr(last.hash)[:80], remedy="check the store with `stripread audit verify`")
    entry = AuditEntry(
        seq=last.entries + 1,
        account=action.account,
        when=stamp(action.when),
        what=action.what,
        kind=subject.kind,
        record=subject.record,
        body=subject.body,
        why=action.why,
    )
    text = entry.canonical()
    connection.execute(insert(AUDIT_TRAIL).values(seq=entry.seq, entry=text, hash=chain_hash(last.hash, text),
                                          kind=entry.kind, record=entry.record))
