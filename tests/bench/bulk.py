"""Records stored by the thousand instead of one by one; the store verifies."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from hashlib import sha256
from itertools import islice
from typing import Final

import msgspec
from sqlalchemy import Connection, insert

from stripread.store import audit_trail
from stripread.store.database import writer
from stripread.store.models.record import Record, stamp
from stripread.store.reading_index import rows
from stripread.store.schema import AUDIT_TRAIL, BODIES, READING_INDEX, RECORD_TYPES
from stripread.store.store import Store

#: Who puts them in, and when.
BY: Final = "p-bench"
WHEN: Final = datetime(2021, 1, 1, tzinfo=UTC)
_CHUNK: Final = 5000


def fill(store: Store, records: Iterable[Record]) -> None:
    """Put records, no two with the same content, into an empty store; each refers to earlier ones only."""
    with writer(store.engine).begin() as connection:
        left = iter(records)
        while some := list(islice(left, _CHUNK)):
            _put(connection, some)
        connection.execute(insert(READING_INDEX).from_select([c.name for c in READING_INDEX.c], rows()))


def _put(connection: Connection, records: Sequence[Record]) -> None:
    """As `Work.put` does it, many in one statement: new records only."""
    bodies = [msgspec.json.encode(record, order="deterministic").decode() for record in records]
    hashes = [sha256(body.encode()).hexdigest() for body in bodies]
    connection.execute(insert(BODIES), [{"sha256": h, "body": b} for h, b in zip(hashes, bodies, strict=True)])
    for type_, kind in RECORD_TYPES.items():
        of_kind = [{**kind.row(r), "sha256": h} for r, h in zip(records, hashes, strict=True) if type(r) is type_]
        if of_kind:
            connection.execute(insert(kind.table), of_kind)
    connection.execute(insert(AUDIT_TRAIL), list(_entries(audit_trail.checkpoint(connection), records, hashes)))


def _entries(
    head: audit_trail.Checkpoint, records: Sequence[Record], hashes: Sequence[str]
) -> Iterator[dict[str, object]]:
    last = head.hash
    for seq, (record, body) in enumerate(zip(records, hashes, strict=True), head.entries + 1):
        entry = audit_trail.AuditEntry(
            seq=seq,
            who=BY,
            when=stamp(WHEN),
            what="imported",
            kind=RECORD_TYPES[type(record)].name,
            record=record.id,
            body=body,
        )
        last = audit_trail.chain_hash(last, entry.canonical())
        yield {"seq": seq, "entry": entry.canonical(), "hash": last, "kind": entry.kind, "record": record.id}
