"""What belongs to some readings: all that they refer to, and all that was said of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sqlalchemy import Connection, select

from stripread.store.models.evidence import StoredReading
from stripread.store.schema import BY_NAME, RECORD_TYPES, RecordType

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
