"""Checks database, log and photographs against each other, and names the first thing that is wrong.

The log says which body every record has; so each table follows from log and bodies, and any row changed, added or
taken away shows. Whoever rewrites the log's end together with all it speaks of is found out by a head exported before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import msgspec
from sqlalchemy import Connection, Row, Table, select

from shared.decoders import from_json
from stripread.store import audit_trail, schema
from stripread.store.backup.archive import Progress, without_progress
from stripread.store.errors import RecordsError, translate_errors
from stripread.store.models.accounts import Account, PersonName
from stripread.store.models.evidence import Photograph
from stripread.store.photos.interface import digest
from stripread.store.reading_index import find_mismatch
from stripread.store.schema import BODIES, BY_NAME, LOG, NAMES, RECORD_TYPES, RecordType, decode
from stripread.store.store import Store

#: Rows fetched at a time.
_CHUNK = 500


class IntegrityReport(msgspec.Struct, frozen=True, kw_only=True):
    """What was checked. ``wrong``: the first thing that is, empty where all is well; ``notes``: odd, but no fault."""

    head: audit_trail.Checkpoint
    records: int = 0
    photographs: int = 0
    wrong: str = ""
    notes: tuple[str, ...] = ()


class _WrongError(Exception):
    """Where and how the store contradicts itself."""


@dataclass(slots=True)
class _Seen:
    """What has been seen so far: the hash of each record's current body by kind and id, and who acted."""

    current: dict[tuple[str, str], str] = field(default_factory=dict)
    bodies: set[str] = field(default_factory=set)
    actors: set[str] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)


def verify_store(
    store: Store, head: audit_trail.Checkpoint | None = None, progress: Progress[str] = without_progress
) -> IntegrityReport:
    """Check everything; ``head``: one exported before.

    Raises RecordsError where the database cannot be read at all.
    """
    seen, lying = _Seen(), set(store.photographs.names())
    with store.viewing() as connection:
        now, photographs = audit_trail.checkpoint(connection), _photographs(connection)
        wrong = _first_wrong(store.where, lambda: _check_database(connection, seen, head, progress))
    _note_strangers(photographs, lying, seen)
    wrong = wrong or _first_wrong(store.where, lambda: _check_photographs(store, photographs, progress))
    return IntegrityReport(head=now, records=len(seen.current), photographs=len(photographs), wrong=wrong,
                    notes=tuple(seen.notes))


def contradiction(connection: Connection, where: str, head: audit_trail.Checkpoint | None = None) -> str:
    """The first thing wrong in the database as this transaction sees it, photographs aside; empty: all is well."""
    return _first_wrong(where, lambda: _check_database(connection, _Seen(), head, without_progress))


def _first_wrong(where: str, check: Callable[[], None]) -> str:
    try:
        with translate_errors(where):
            check()
    except (_WrongError, RecordsError) as error:
        return str(error)
    return ""


def _check_database(
    connection: Connection, seen: _Seen, head: audit_trail.Checkpoint | None, progress: Progress[str]
) -> None:
    for part in progress(list(_PARTS), "database"):
        _PARTS[part](connection, seen)
    _check_head(connection, head)


def _check_file(connection: Connection, _seen: _Seen) -> None:
    """Pages and indices of an SQLite file are sound (a server looks after its own), and so are the references."""
    if connection.dialect.name == "sqlite":
        found = str(connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar())
        _expect(found == "ok", "the database file", f"is damaged: {found}")
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
        _expect(broken is None, f"a row of {broken and broken[0]}", "refers to nothing")


def _check_guards(connection: Connection, _seen: _Seen) -> None:
    """The triggers that refuse to change what is kept are there, and none that nobody here made."""
    wanted, there = schema.expected_triggers(connection), schema.present_triggers(connection)
    for name in sorted(wanted - there):
        raise _WrongError(f"trigger {name} is missing: nothing guards that table")
    for name in sorted(there - wanted):
        raise _WrongError(f"trigger or view {name} is not this program's")


def _check_chain(connection: Connection, seen: _Seen) -> None:
    """Each entry follows the one before, is in its one form, and its columns say what it says."""
    previous, last = audit_trail.START, ""
    for place, row in enumerate(_rows(connection, LOG), start=1):
        where = f"log entry {place}"
        _expect(row.seq == place, where, f"is missing; entry {row.seq} stands in its place")
        entry = _entry(row.entry, where)
        _expect(
            row.hash == audit_trail.chain_hash(previous, row.entry),
            where,
            "was changed, or does not follow from the one before",
        )
        _expect((entry.seq, entry.kind, entry.record) == (row.seq, row.kind, row.record), where,
                "is listed as another")
        if entry.when < last:
            seen.notes.append(f"{where} is dated {entry.when}, before the one it follows: a clock was set back")
        previous, last = row.hash, entry.when
        _take(entry, seen, where)


def _take(entry: audit_trail.AuditEntry, seen: _Seen, where: str) -> None:
    seen.actors.add(entry.who)
    if entry.body:
        kind = BY_NAME.get(entry.kind)
        again = kind is not None and kind.kept and (entry.kind, entry.record) in seen.current
        _expect(not again, where, f"changes what is never changed: {entry.kind} {entry.record}")
        seen.current[entry.kind, entry.record] = entry.body
        seen.bodies.add(entry.body)


def _entry(text: str, where: str) -> audit_trail.AuditEntry:
    try:
        entry = from_json(text, audit_trail.AuditEntry)
    except (msgspec.DecodeError, RecursionError) as error:
        raise _WrongError(f"{where} cannot be read: {error}") from error
    _expect(entry.canonical() == text, where, "is not in canonical form")
    return entry


def _check_bodies(connection: Connection, seen: _Seen) -> None:
    """Each body is what its hash says, and all that the log speaks of are there, and no others."""
    missing = set(seen.bodies)
    for row in _rows(connection, BODIES):
        where = f"bodies {row.sha256}"
        _expect(digest(row.body.encode()) == row.sha256, where, "was changed")
        _expect(row.sha256 in seen.bodies, where, "is there, but the log does not speak of it")
        missing.discard(row.sha256)
    _expect(not missing, f"bodies {min(missing, default='')}", "is missing, but the log speaks of it")


def _check_tables(connection: Connection, seen: _Seen) -> None:
    """Each table holds the records that the log leaves as current, as their bodies say."""
    missing = dict(seen.current)
    for kind in BY_NAME.values():
        for row in _rows(connection, kind.table, body=True):
            where = f"{kind.name} {row.id}"
            _expect(missing.pop((kind.name, row.id), None) == row.sha256, where, "is not as the log leaves it")
            _check_row(kind, row, where)
    for name, id_ in missing:
        raise _WrongError(f"{name} {id_} is missing, but the log speaks of it")


def _check_row(kind: RecordType, row: Row[Any], where: str) -> None:
    for column, value in kind.row(decode(kind.type, row.body)).items():
        found = getattr(row, column)
        _expect(found == value, f"{where}, {column}", f"was changed: {found!r}, but the record says {value!r}")


def _check_lists(connection: Connection, _seen: _Seen) -> None:
    """Lists say of each reading what the other tables say."""
    found = find_mismatch(connection)
    _expect(found is None, f"listed {found}", "was changed: it is not as the other tables say")


def _check_people(connection: Connection, seen: _Seen) -> None:
    """Whoever acted has an account, and each name is the one its account's seal was made for."""
    for actor in sorted(seen.actors):
        _expect(("accounts", actor) in seen.current, f"account {actor}", "acted, but is not there")
    names = {row.account: PersonName(account=row.account, name=row.name, salt=row.salt)
             for row in _rows(connection, NAMES)}
    for row in _rows(connection, RECORD_TYPES[Account].table, body=True):
        name, seal = names.pop(row.id, None), decode(Account, row.body).seal
        _expect((name and name.seal) == seal, f"names {row.id}", "is not the name that the account was given")
    _expect(not names, f"names {min(names, default='')}", "is the name of no account")


def _check_head(connection: Connection, head: audit_trail.Checkpoint | None) -> None:
    if head is None or head == audit_trail.Checkpoint(entries=0, hash=audit_trail.START):
        return
    found = connection.scalar(select(LOG.c.hash).where(LOG.c.seq == head.entries))
    where = f"log entry {head.entries}"
    _expect(found is not None, where, "is missing, but the exported head speaks of it: the log's end was cut")
    _expect(found == head.hash, where, "is not the one of the exported head: it or one before it was changed")


def _photographs(connection: Connection) -> dict[str, bool]:
    """Ids of all photographs, and whether each was let go."""
    table = RECORD_TYPES[Photograph].table
    return {row.id: row.removed is not None for row in connection.execute(select(table.c.id, table.c.removed))}


def _check_photographs(store: Store, photographs: Mapping[str, bool], progress: Progress[str]) -> None:
    """The bytes of each photograph are there and undamaged, but of those let go."""
    for id_ in progress([id_ for id_, removed in photographs.items() if not removed], "photographs"):
        _check_bytes(store, id_)


def _note_strangers(photographs: Mapping[str, bool], lying: set[str], seen: _Seen) -> None:
    """Bytes that nobody should miss, but that should not be there."""
    for id_ in sorted(lying):
        if photographs.get(id_):
            seen.notes.append(f"photograph {id_} was let go, but its bytes are still there: let it go again")
    if strangers := lying - photographs.keys():
        seen.notes.append(f"photographs that were never acknowledged: {len(strangers)}; adding them again does that")


def _check_bytes(store: Store, id_: str) -> None:
    try:
        store.photographs.get(id_)
    except RecordsError as error:
        if store.get(Photograph, id_).removed is None:
            raise _WrongError(error.message) from error


def _rows(connection: Connection, table: Table, *, body: bool = False) -> Iterator[Row[Any]]:
    """All rows in the order of their keys, a few at a time; with the body of the record, if wanted."""
    query = select(table, BODIES.c.body).join(BODIES, table.c.sha256 == BODIES.c.sha256) if body else select(table)
    with connection.execute(query.order_by(*table.primary_key), execution_options={"yield_per": _CHUNK}) as rows:
        yield from rows


def _expect(holds: bool, where: str, otherwise: str) -> None:  # noqa: FBT001
    if not holds:
        raise _WrongError(f"{where} {otherwise}")


_PARTS = {"database": _check_file, "guards": _check_guards, "log": _check_chain, "records": _check_bodies,
          "tables": _check_tables, "lists": _check_lists, "people": _check_people}
