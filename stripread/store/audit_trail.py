"""The log: entries that are only ever appended, each bound to all before it by a chain of hashes.

``h_i = SHA-256(h_(i-1) || canonical(entry_i))``, ``h_0`` 32 zero bytes. Entries hold strings and whole numbers
under ASCII names, for which the canonical form is that of RFC 8785. A cut at the end shows only against a head
kept elsewhere: hence `Checkpoint`, to be exported.
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
from stripread.store.schema import LOG

START: Final = bytes(32).hex()
#: Rows fetched at a time.
_CHUNK: Final = 500
_HASH: Final = re.compile("[0-9a-f]{64}")


class AuditEntry(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who did what when, to which record; ``body`` is the SHA-256 of what the record says since.

    Time is what the clock said; the order is that of ``seq``.
    """

    seq: int
    who: str
    when: str
    what: str
    kind: str = ""
    record: str = ""
    body: str = ""
    why: str = ""

    def canonical(self) -> str:
        """Its one form as text."""
        return json.dumps(msgspec.to_builtins(self), sort_keys=True, separators=(",", ":"), ensure_ascii=False)


class Checkpoint(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How many entries there are and the hash of the last: binds everything up to it."""

    entries: int
    hash: str
    format: Literal["log-head/1"] = "log-head/1"


class ChainLink(msgspec.Struct, frozen=True, kw_only=True):
    """An entry: its canonical ``text``, and its ``hash``: `chain_hash` of the previous hash and the text."""

    text: str
    hash: str

    def entry(self) -> AuditEntry:
        """What the text says."""
        return from_json(self.text, AuditEntry)


class AuditedAction(msgspec.Struct, frozen=True, kw_only=True):
    """What is done, by which account, when and why."""

    who: str
    when: Moment
    what: str
    why: str = ""


class AuditSubject(msgspec.Struct, frozen=True, kw_only=True):
    """The record an act is about; an act about none has empty fields."""

    kind: str = ""
    record: str = ""
    body: str = ""


def chain_hash(previous: str, entry: str) -> str:
    """The hash (hex) of an entry (its canonical text) that follows the one whose hash is ``previous``."""
    return hashlib.sha256(bytes.fromhex(previous) + entry.encode()).hexdigest()


def checkpoint(connection: Connection) -> Checkpoint:
    """The log's present head."""
    last = connection.execute(select(LOG.c.seq, LOG.c.hash).order_by(LOG.c.seq.desc()).limit(1)).first()
    return Checkpoint(entries=last.seq, hash=last.hash) if last else Checkpoint(entries=0, hash=START)


def chain_links(connection: Connection, *, last: int | None = None, record: str | None = None) -> Iterator[ChainLink]:
    """Entries in their order with their hashes; only the ``last`` so many, only those on records whose id begins so."""
    query = select(LOG.c.entry, LOG.c.hash).order_by(LOG.c.seq.desc()).limit(last)
    if record is not None:
        query = query.where(LOG.c.record.startswith(record, autoescape=True))
    chosen = query.add_columns(LOG.c.seq).subquery()
    rows = connection.execute(select(chosen.c.entry, chosen.c.hash).order_by(chosen.c.seq),
                              execution_options={"yield_per": _CHUNK})
    return (ChainLink(text=row.entry, hash=row.hash) for row in rows)


def append(connection: Connection, act: AuditedAction, subject: AuditSubject) -> None:
    """Add an entry, in the transaction of the change it tells of; only one writer may hold one at a time."""
    last = checkpoint(connection)
    if not _HASH.fullmatch(last.hash):
        raise RecordsError("the log is damaged, and nothing is added to it", where=f"log entry {last.entries}",
                           found=repr(last.hash)[:80], remedy="see what `stripread records verify` says")
    entry = AuditEntry(seq=last.entries + 1, who=act.who, when=stamp(act.when), what=act.what, kind=subject.kind,
                  record=subject.record, body=subject.body, why=act.why)
    text = entry.canonical()
    connection.execute(insert(LOG).values(seq=entry.seq, entry=text, hash=chain_hash(last.hash, text),
                                          kind=entry.kind, record=entry.record))
