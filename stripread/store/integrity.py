"""Verification of database, triggers, audit trail and photographs against each other.

The audit trail gives the body of every record, so each table follows from audit trail and bodies, and any row that was
changed, added or removed is detected. A consistently rewritten end of the audit trail is detected with a checkpoint
exported before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import msgspec
from sqlalchemy import Connection, Row, Table, select, text

from shared.decoders import from_json
from stripread.reading.executors import SERIAL, Executor
from stripread.store import audit_trail
from stripread.store.backup.archive import Progress, without_progress
from stripread.store.errors import RecordsError, translate_errors
from stripread.store.models.accounts import Account, PersonName
from stripread.store.models.evidence import Photograph
from stripread.store.photos import digest, open_photographs
from stripread.store.reading_index import find_mismatch
from stripread.store.schema import AUDIT_TRAIL, BODIES, BY_NAME, NAMES, RECORD_TYPES, RecordType, decode
from stripread.store.store import Store

_SQLITE: Final = "SELECT name FROM sqlite_master WHERE type IN ('trigger', 'view')"
#: Views are included: an attacker may replace a table by a view.
_POSTGRESQL: Final = """
    SELECT tgname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid
    WHERE NOT tgisinternal AND tgenabled IN ('O', 'A') AND relnamespace = current_schema()::regnamespace
    UNION ALL SELECT viewname FROM pg_views WHERE schemaname = current_schema()"""


def expected_triggers(connection: Connection) -> set[str]:
    """Return the names of the triggers that the migrations create."""
    immutable = {BODIES.name, AUDIT_TRAIL.name, *(kind.name for kind in BY_NAME.values() if kind.immutable)}
    postgresql = connection.dialect.name == "postgresql"
    truncate = ("truncate",) if postgresql else ()
    replacing = set() if postgresql else {f"{table.name}_insert" for table in (BODIES, AUDIT_TRAIL)}
    return replacing | {f"{table}_{deed}" for table in {*immutable, *BY_NAME}
            for deed in ("delete", *truncate, *(("update",) if table in immutable else ()))}


def present_triggers(connection: Connection) -> set[str]:
    """Return the names of the triggers and views that exist and are enabled."""
    query = _POSTGRESQL if connection.dialect.name == "postgresql" else _SQLITE
    return set(connection.scalars(text(query)))


#: Rows fetched at a time.
_CHUNK = 500


class IntegrityReport(msgspec.Struct, frozen=True, kw_only=True):
    """Result of a verification. ``wrong``: the first discrepancy, "" if there is none; ``notes``: observations."""

    head: audit_trail.Checkpoint
    records: int = 0
    photographs: int = 0
    wrong: str = ""
    notes: tuple[str, ...] = ()


#: The checkpoint of an empty audit trail.
NO_ENTRIES: Final = audit_trail.Checkpoint(entries=0, hash=audit_trail.START)


class DiscrepancyError(Exception):
    """A discrepancy in the store."""


@dataclass(slots=True)
class VerificationState:
    """State of the verification: hash of the current body by record type and id, all bodies, accounts that acted."""

    current: dict[tuple[str, str], str] = field(default_factory=dict)
    bodies: set[str] = field(default_factory=set)
    actors: set[str] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)


def verify_store(
    store: Store,
    head: audit_trail.Checkpoint | None = None,
    progress: Progress[str] = without_progress,
    executor: Executor = SERIAL,
) -> IntegrityReport:
    """Verify the whole store; ``head``: a checkpoint exported before; ``executor``: reads the photographs.

    Raises RecordsError if the database cannot be read.
    """
    seen, files = VerificationState(), set(store.photographs.names())
    with store.viewing() as connection:
        now, photographs = audit_trail.checkpoint(connection), _photographs(connection)
        wrong = first_discrepancy(store.where, lambda: _check_database(connection, seen, head, progress))
    _note_unknown_files(photographs, files, seen)
    wrong = wrong or first_discrepancy(store.where, lambda: _check_photographs(store, photographs, progress, executor))
    return IntegrityReport(head=now, records=len(seen.current), photographs=len(photographs), wrong=wrong,
                    notes=tuple(seen.notes))


def contradiction(connection: Connection, where: str, head: audit_trail.Checkpoint | None = None) -> str:
    """Return the first discrepancy in the database as this transaction sees it, "" if none; photographs excluded."""
    return first_discrepancy(where, lambda: _check_database(connection, VerificationState(), head, without_progress))


def first_discrepancy(where: str, check: Callable[[], None]) -> str:
    """Return the message of the first discrepancy that a check raises, "" if there is none."""
    try:
        with translate_errors(where):
            check()
    except (DiscrepancyError, RecordsError) as error:
        return str(error)
    return ""


def _check_database(
    connection: Connection, seen: VerificationState, head: audit_trail.Checkpoint | None, progress: Progress[str]
) -> None:
    for part in progress(list(_PARTS), "database"):
        _PARTS[part](connection, seen)
    check_head(connection, head)


def _check_file(connection: Connection, _seen: VerificationState) -> None:
    """Check references, and for SQLite also pages and indices; a server checks its own files."""
    if connection.dialect.name == "sqlite":
        outcome = str(connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar())
        require(outcome == "ok", "the database file", f"is damaged: {outcome}")
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
        require(broken is None, f"a row of {broken and broken[0]}", "refers to a row that does not exist")


def check_triggers(connection: Connection, _seen: VerificationState) -> None:
    """Check that exactly the expected triggers exist; they make the tables append-only."""
    expected, present = expected_triggers(connection), present_triggers(connection)
    for name in sorted(expected - present):
        raise DiscrepancyError(f"trigger {name} is missing: its table is not protected against changes")
    for name in sorted(present - expected):
        raise DiscrepancyError(f"trigger or view {name} was not created by this program")


def _check_chain(connection: Connection, seen: VerificationState) -> None:
    check_links(_rows(connection, AUDIT_TRAIL), seen, NO_ENTRIES)


def check_links(rows: Iterable[Row[Any]], seen: VerificationState, after: audit_trail.Checkpoint) -> None:
    """Check that each entry continues the chain ``after`` a checkpoint, is canonical, and agrees with its columns."""
    previous, last = after.hash, ""
    for place, row in enumerate(rows, start=after.entries + 1):
        where = f"audit trail entry {place}"
        require(row.seq == place, where, f"is missing; entry {row.seq} was found instead")
        entry = _entry(row.entry, where)
        require(
            row.hash == audit_trail.chain_hash(previous, row.entry),
            where,
            "was changed, or does not follow from the previous entry",
        )
        require((entry.seq, entry.kind, entry.record) == (row.seq, row.kind, row.record), where,
                "does not agree with its columns")
        if entry.when < last:
            seen.notes.append(f"{where} is dated {entry.when}, before the previous entry: a clock was set back")
        previous, last = row.hash, entry.when
        _add_entry(entry, seen, where)


def _add_entry(entry: audit_trail.AuditEntry, seen: VerificationState, where: str) -> None:
    seen.actors.add(entry.account)
    if entry.body:
        kind = BY_NAME.get(entry.kind)
        again = kind is not None and kind.immutable and (entry.kind, entry.record) in seen.current
        require(not again, where, f"changes an immutable record: {entry.kind} {entry.record}")
        seen.current[entry.kind, entry.record] = entry.body
        seen.bodies.add(entry.body)


def _entry(text: str, where: str) -> audit_trail.AuditEntry:
    try:
        entry = from_json(text, audit_trail.AuditEntry)
    except (msgspec.DecodeError, RecursionError) as error:
        raise DiscrepancyError(f"{where} cannot be read: {error}") from error
    require(entry.canonical() == text, where, "is not in canonical form")
    return entry


def _check_bodies(connection: Connection, seen: VerificationState) -> None:
    """Check that each body matches its hash, and that exactly the bodies named in the audit trail exist."""
    missing = set(seen.bodies)
    for row in _rows(connection, BODIES):
        where = f"bodies {row.sha256}"
        require(digest(row.body.encode()) == row.sha256, where, "was changed")
        require(row.sha256 in seen.bodies, where, "is not in the audit trail")
        missing.discard(row.sha256)
    require(not missing, f"bodies {min(missing, default='')}", "is missing, but is in the audit trail")


def _check_tables(connection: Connection, seen: VerificationState) -> None:
    """Check that each table has exactly the current records of the audit trail, with the values of their bodies."""
    missing = dict(seen.current)
    for kind in BY_NAME.values():
        for row in _rows(connection, kind.table, body=True):
            where = f"{kind.name} {row.id}"
            require(missing.pop((kind.name, row.id), None) == row.sha256, where, "does not agree with the audit trail")
            check_row(kind, row, where)
    for name, id_ in missing:
        raise DiscrepancyError(f"{name} {id_} is missing, but is in the audit trail")


def check_row(kind: RecordType, row: Row[Any], where: str) -> None:
    """Check that the columns of a row have the values of its body."""
    for column, value in kind.row(decode(kind.type, row.body)).items():
        stored = getattr(row, column)
        require(stored == value, f"{where}, {column}", f"was changed: {stored!r}, but the record contains {value!r}")


def _check_index(connection: Connection, _seen: VerificationState) -> None:
    """Check that the reading index agrees with the other tables."""
    mismatch = find_mismatch(connection)
    require(mismatch is None, f"listed {mismatch}", "was changed: it does not agree with the other tables")


def _check_accounts(connection: Connection, seen: VerificationState) -> None:
    """Check that everyone who acted has an account, and that each name matches the seal of its account."""
    for actor in sorted(seen.actors):
        require(("accounts", actor) in seen.current, f"account {actor}", "acted, but does not exist")
    names = {row.account: PersonName(account=row.account, name=row.name, salt=row.salt)
             for row in _rows(connection, NAMES)}
    for row in _rows(connection, RECORD_TYPES[Account].table, body=True):
        name, seal = names.pop(row.id, None), decode(Account, row.body).seal
        require((name and name.seal) == seal, f"names {row.id}", "does not match the seal of the account")
    require(not names, f"names {min(names, default='')}", "has no account")


def check_head(connection: Connection, head: audit_trail.Checkpoint | None) -> None:
    """Check that the audit trail contains the entry of an exported checkpoint."""
    if head is None or head == NO_ENTRIES:
        return
    stored = connection.scalar(select(AUDIT_TRAIL.c.hash).where(AUDIT_TRAIL.c.seq == head.entries))
    where = f"audit trail entry {head.entries}"
    require(stored is not None, where, "is missing, but the checkpoint includes it: the audit trail was truncated")
    require(stored == head.hash, where, "does not match the checkpoint: it or an earlier entry was changed")


def _photographs(connection: Connection) -> dict[str, bool]:
    """Return the ids of all photographs, and whether each was purged."""
    table = RECORD_TYPES[Photograph].table
    return {row.id: row.removed is not None for row in connection.execute(select(table.c.id, table.c.removed))}


def _check_photographs(
    store: Store, photographs: Mapping[str, bool], progress: Progress[str], executor: Executor
) -> None:
    """Check that the file of each photograph exists and is undamaged, except purged ones."""
    ids = [id_ for id_, removed in photographs.items() if not removed]
    checked = executor.map(damage_of, store.photographs.place, ids)
    for id_, damage in zip(progress(ids, "photographs"), checked, strict=True):
        if damage and store.get(Photograph, id_).removed is None:
            raise DiscrepancyError(damage)


def _note_unknown_files(photographs: Mapping[str, bool], files: set[str], seen: VerificationState) -> None:
    """Note files that should not exist: of purged photographs, and of photographs without a record."""
    for id_ in sorted(files):
        if photographs.get(id_):
            seen.notes.append(f"photograph {id_} was purged, but its file still exists: purge it again")
    if unknown := files - photographs.keys():
        seen.notes.append(f"photographs without a record: {len(unknown)}; add them again to complete their upload")


def damage_of(place: str, id_: str) -> str:
    """Return what is wrong with the file of a photograph, "" if nothing is; may run elsewhere."""
    try:
        open_photographs(place).get(id_)
    except RecordsError as error:
        return error.message
    return ""


def _rows(connection: Connection, table: Table, *, body: bool = False) -> Iterator[Row[Any]]:
    """Return all rows in the order of their keys, fetched in chunks; ``body``: with the body of the record."""
    query = select(table, BODIES.c.body).join(BODIES, table.c.sha256 == BODIES.c.sha256) if body else select(table)
    with connection.execute(query.order_by(*table.primary_key), execution_options={"yield_per": _CHUNK}) as rows:
        yield from rows


def require(condition: bool, where: str, otherwise: str) -> None:  # noqa: FBT001
    """Raise DiscrepancyError unless the condition is true."""
    if not condition:
        raise DiscrepancyError(f"{where} {otherwise}")


_PARTS = {"database": _check_file, "guards": check_triggers, "log": _check_chain, "records": _check_bodies,
          "tables": _check_tables, "lists": _check_index, "people": _check_accounts}
