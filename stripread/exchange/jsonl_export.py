"""Whole records as JSON lines, each with its kind, in an order in which each refers to earlier lines only.

The same records give the same bytes, from whichever store. Accounts go as bare pseudonyms, without roles and names:
who acted is told, and nobody gets in elsewhere by it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any, Final, Literal

import msgspec
from sqlalchemy import Connection, Row, Select, func, select

from stripread.store.models.accounts import Account
from stripread.store.models.evidence import StoredReading
from stripread.store.photos.interface import PhotoStore
from stripread.store.schema import BODIES, BY_NAME, LOG, RECORD_TYPES, RecordType
from stripread.store.store import Store

Ids = dict[str, set[str]]


def related(connection: Connection, readings: Iterable[str]) -> Ids:
    """Ids by kind: of the readings, of those they supersede, of what was said of them, and of all these refer to."""
    start = RECORD_TYPES[StoredReading]
    chosen: Ids = {name: set() for name in BY_NAME}
    chosen[start.name] = set(readings)
    for kind in BY_NAME.values():
        if start.name in references(kind).values() and kind is not start:
            _add_later(connection, kind, chosen)
    for kind in reversed(BY_NAME.values()):
        _add_referred(connection, kind, chosen)
    return chosen


def references(kind: RecordType) -> Mapping[str, str]:
    """The kinds that a kind's columns refer to, by column."""
    return {column.name: key.column.table.name for column in kind.table.c for key in column.foreign_keys
            if key.column.table.name in BY_NAME}


def _add_later(connection: Connection, kind: RecordType, chosen: Ids) -> None:
    """What was said of a chosen reading."""
    columns = [
        kind.table.c[column] for column, name in references(kind).items() if name == RECORD_TYPES[StoredReading].name
    ]
    for row in connection.execute(select(kind.table.c.id, *columns)):
        if any(value in chosen[RECORD_TYPES[StoredReading].name] for value in row[1:]):
            chosen[kind.name].add(row.id)


def _add_referred(connection: Connection, kind: RecordType, chosen: Ids) -> None:
    to = references(kind)
    rows = {row.id: row for row in connection.execute(select(kind.table))} if chosen[kind.name] else {}
    waiting = list(chosen[kind.name])
    while waiting:
        row = rows[waiting.pop()]
        for column, name in to.items():
            value = getattr(row, column)
            if value is not None and value not in chosen[name]:
                chosen[name].add(value)
                if name == kind.name:
                    waiting.append(value)


_CHUNK: Final = 500


class ExportHeader(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The first line."""

    format: Literal["records/1"] = "records/1"


class ExportLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Every other line: a record as it is kept, under the name of its kind."""

    kind: str
    record: msgspec.Raw


def foreign_account(id_: str) -> Account:
    """An account of another store: it did what it did, and can do nothing here."""
    return Account(id=id_, roles=(), active=False)


def lines(store: Store, readings: Collection[str] | None = None) -> Iterator[bytes]:
    """The file's lines without their ends: of everything, or of these readings and all that belongs to them."""
    yield msgspec.json.encode(ExportHeader())
    with store.viewing() as connection:
        chosen = None if readings is None else related(connection, readings)
        for id_ in sorted(_actors(connection, chosen)):
            yield _line(RECORD_TYPES[Account], msgspec.json.encode(foreign_account(id_), order="deterministic"))
        for kind in BY_NAME.values():
            if kind.type is not Account:
                for row in _rows(connection, kind):
                    if chosen is None or row.id in chosen[kind.name]:
                        yield _line(kind, row.body.encode())


def copy_photographs(store: Store, place: PhotoStore, readings: Collection[str] | None = None) -> int:
    """Put the original bytes of the photographs in another place too; how many. Those let go are not there."""
    photographs = BY_NAME["photographs"]
    with store.viewing() as connection:
        chosen = None if readings is None else related(connection, readings)[photographs.name]
        ids = connection.scalars(select(photographs.table.c.id).where(photographs.table.c.removed.is_(None))).all()
    going = [id_ for id_ in sorted(ids) if chosen is None or id_ in chosen]
    for id_ in going:
        place.put(id_, store.photographs.get(id_))
    return len(going)


def _line(kind: RecordType, body: bytes) -> bytes:
    return msgspec.json.encode(ExportLine(kind=kind.name, record=msgspec.Raw(body)))


def _actors(connection: Connection, chosen: Ids | None) -> set[str]:
    """The accounts that the records speak of."""
    if chosen is not None:
        return chosen[RECORD_TYPES[Account].name]
    columns = [kind.table.c[column] for kind in BY_NAME.values() for column, name in references(kind).items()
               if name == RECORD_TYPES[Account].name]
    return {id_ for column in columns for id_ in connection.scalars(select(column).distinct()) if id_ is not None}


def _rows(connection: Connection, kind: RecordType) -> Iterator[Row[Any]]:
    """Ids and bodies in the order in which the log first speaks of the records."""
    rows = connection.execute(_query(kind), execution_options={"yield_per": _CHUNK})
    yield from rows


def _query(kind: RecordType) -> Select[Any]:
    first = (select(LOG.c.record, func.min(LOG.c.seq).label("seq")).where(LOG.c.kind == kind.name)
             .group_by(LOG.c.record).subquery())
    joined = kind.table.join(BODIES, kind.table.c.sha256 == BODIES.c.sha256).join(
        first, first.c.record == kind.table.c.id)
    return select(kind.table.c.id, BODIES.c.body).select_from(joined).order_by(first.c.seq)
