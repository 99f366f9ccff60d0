"""Whole records as JSON lines, each with its record type; each refers to earlier lines only.

The same records give the same bytes from every store. Accounts are exported as pseudonyms without names and roles:
the importing store knows who acted and grants no access. What is imported is validated as untrusted input.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final, Literal

import msgspec
from sqlalchemy import Connection, Row, Select, func, select

from shared.decoders import from_json
from stripread.exchange.import_records import ParsedRecord
from stripread.reading.executors import SERIAL, Executor
from stripread.store.database import LONGEST
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.record import in_current_terms, validation_message
from stripread.store.photos import PhotoStore, open_photographs
from stripread.store.schema import AUDIT_TRAIL, BODIES, BY_NAME, RECORD_TYPES, RecordType
from stripread.store.store import Store

Ids = dict[str, set[str]]


def dependencies(connection: Connection, readings: Iterable[str]) -> Ids:
    """Return ids by record type: the readings, those they supersede, records about them, and their references."""
    start = RECORD_TYPES[StoredReading]
    chosen: Ids = {name: set() for name in BY_NAME}
    chosen[start.name] = set(readings)
    for record_type in BY_NAME.values():
        if start.name in references(record_type).values() and record_type is not start:
            _add_annotations(connection, record_type, chosen)
    for record_type in reversed(BY_NAME.values()):
        _add_references(connection, record_type, chosen)
    return chosen


def references(record_type: RecordType) -> Mapping[str, str]:
    """Return the record types that the columns of a record type refer to, by column."""
    return {column.name: key.column.table.name for column in record_type.table.c for key in column.foreign_keys
            if key.column.table.name in BY_NAME}


def _add_annotations(connection: Connection, record_type: RecordType, chosen: Ids) -> None:
    """Add the reviews, corrections and other records about the chosen readings."""
    columns = [
        record_type.table.c[column]
        for column, name in references(record_type).items()
        if name == RECORD_TYPES[StoredReading].name
    ]
    for row in connection.execute(select(record_type.table.c.id, *columns)):
        if any(value in chosen[RECORD_TYPES[StoredReading].name] for value in row[1:]):
            chosen[record_type.name].add(row.id)


def _add_references(connection: Connection, record_type: RecordType, chosen: Ids) -> None:
    to = references(record_type)
    rows = {row.id: row for row in connection.execute(select(record_type.table))} if chosen[record_type.name] else {}
    waiting = list(chosen[record_type.name])
    while waiting:
        row = rows[waiting.pop()]
        for column, name in to.items():
            value = getattr(row, column)
            if value is not None and value not in chosen[name]:
                chosen[name].add(value)
                if name == record_type.name:
                    waiting.append(value)


_CHUNK: Final = 500


class ExportHeader(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The first line of the file."""

    format: Literal["records/1"] = "records/1"


class ExportLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Every other line: a record as stored, with the name of its record type."""

    kind: str
    record: msgspec.Raw


def foreign_account(id_: str) -> Account:
    """Return an account of another store: inactive and without roles, so that it has no access here."""
    return Account(id=id_, roles=(), active=False)


def lines(store: Store, readings: Collection[str] | None = None) -> Iterator[bytes]:
    """Return the lines of the file without line ends: all records, or ``readings`` with their dependencies."""
    yield msgspec.json.encode(ExportHeader())
    with store.viewing() as connection:
        chosen = None if readings is None else dependencies(connection, readings)
        for id_ in sorted(_accounts(connection, chosen)):
            yield _line(RECORD_TYPES[Account], msgspec.json.encode(foreign_account(id_), order="deterministic"))
        for record_type in BY_NAME.values():
            if record_type.type is not Account:
                for row in _rows(connection, record_type):
                    if chosen is None or row.id in chosen[record_type.name]:
                        yield _line(record_type, row.body.encode())


def copy_photographs(store: Store, destination: PhotoStore, readings: Collection[str] | None = None) -> int:
    """Copy the original files of photographs to ``destination``; return their number. Purged ones have no file."""
    photographs = BY_NAME["photographs"]
    with store.viewing() as connection:
        chosen = None if readings is None else dependencies(connection, readings)[photographs.name]
        ids = connection.scalars(select(photographs.table.c.id).where(photographs.table.c.removed.is_(None))).all()
    exported = [id_ for id_ in sorted(ids) if chosen is None or id_ in chosen]
    for id_ in exported:
        destination.put(id_, store.photographs.get(id_))
    return len(exported)


def _line(record_type: RecordType, body: bytes) -> bytes:
    return msgspec.json.encode(ExportLine(kind=record_type.name, record=msgspec.Raw(body)))


def _accounts(connection: Connection, chosen: Ids | None) -> set[str]:
    """Return the ids of the accounts that the records refer to."""
    if chosen is not None:
        return chosen[RECORD_TYPES[Account].name]
    columns = [
        record_type.table.c[column]
        for record_type in BY_NAME.values()
        for column, name in references(record_type).items()
        if name == RECORD_TYPES[Account].name
    ]
    return {id_ for column in columns for id_ in connection.scalars(select(column).distinct()) if id_ is not None}


def _rows(connection: Connection, record_type: RecordType) -> Iterator[Row[Any]]:
    """Return ids and bodies in the order of the records' first entries in the audit trail."""
    rows = connection.execute(_query(record_type), execution_options={"yield_per": _CHUNK})
    yield from rows


def _query(record_type: RecordType) -> Select[Any]:
    first = (
        select(AUDIT_TRAIL.c.record, func.min(AUDIT_TRAIL.c.seq).label("seq"))
        .where(AUDIT_TRAIL.c.kind == record_type.name)
        .group_by(AUDIT_TRAIL.c.record)
        .subquery()
    )
    joined = record_type.table.join(BODIES, record_type.table.c.sha256 == BODIES.c.sha256).join(
        first, first.c.record == record_type.table.c.id)
    return select(record_type.table.c.id, BODIES.c.body).select_from(joined).order_by(first.c.seq)


_HASH: Final = re.compile(r"[0-9a-f]{64}")


def records_in(path: Path) -> Iterator[ParsedRecord]:
    """Return the records of an export file in file order. Raises RecordsError that names the invalid line."""
    try:
        with path.open("rb") as file:
            _check_header(file.readline(LONGEST), str(path))
            number = 1
            while line := file.readline(LONGEST + 1):
                number += 1
                yield _found(line, f"{path}:{number}")
    except OSError as error:
        raise RecordsError("the file cannot be read", where=str(path), found=error.strerror or str(error)) from error


def _check_header(line: bytes, where: str) -> None:
    try:
        from_json(line, ExportHeader)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise RecordsError("is not a file of exported records", where=f"{where}:1", found=str(error),
                           allowed='a first line {"format":"records/1"}, from `stripread storage export`') from error


def _found(line: bytes, where: str) -> ParsedRecord:
    if len(line) > LONGEST:
        raise RecordsError("the line is too long", where=where, allowed=f"up to {LONGEST} bytes")
    try:
        read = from_json(line, ExportLine)
        kind = BY_NAME.get(read.kind)
        if kind is None:
            raise RecordsError("unknown record type", where=where, found=repr(read.kind[:80]),
                               allowed=", ".join(BY_NAME))
        record = from_json(in_current_terms(bytes(read.record).decode()), kind.type)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise RecordsError("the record is invalid", where=where, found=validation_message(error)) from error
    if isinstance(record, Account) and (record.roles or record.active or record.seal):
        raise RecordsError("an imported account must be a pseudonymous ID only", where=where, found=record.id,
                           allowed="inactive, without roles and without the hash of a name")
    return ParsedRecord(record, where)


@dataclass(frozen=True, slots=True)
class Originals:
    """The ``folder`` of the original photographs, None without one, and where they are hashed and copied."""

    folder: Path | None = None
    executor: Executor = SERIAL


NO_ORIGINALS: Final = Originals()
#: Photographs that are copied at a time.
_AT_ONCE: Final = 10_000


def import_photographs(
    store: Store, records: Iterable[ParsedRecord], originals: Originals = NO_ORIGINALS, *, dry_run: bool = False
) -> int:
    """Copy the photographs of the records into the store, before the records; return the number of records.

    Photographs that the store has are skipped; the others are found by hash in the folder. They are copied some
    thousand at a time: copies without a record are used when the import is repeated. Raises RecordsError for a missing
    photograph and for an invalid record.
    """
    files, total = _Files(originals), 0
    found: list[tuple[str, Path]] = []
    for one in records:
        total += 1
        if _is_wanted(store, one):
            found.append((one.record.id, files.find(one)))
        if len(found) >= _AT_ONCE:
            _copy_all(store, found, originals.executor, dry_run=dry_run)
            found = []
    _copy_all(store, found, originals.executor, dry_run=dry_run)
    return total


def _copy_all(store: Store, found: list[tuple[str, Path]], executor: Executor, *, dry_run: bool) -> None:
    if found and not dry_run:
        for _ in executor.map(_copy, store.photographs.place, found):
            pass


def _is_wanted(store: Store, one: ParsedRecord) -> bool:
    """Return whether a record is a photograph that the store does not have."""
    return (isinstance(one.record, Photograph) and one.record.removed is None
            and not store.find(Photograph, id=one.record.id))


class _Files:
    """Files of a folder by their SHA-256; an export's are found by their names, without reading the folder."""

    def __init__(self, originals: Originals) -> None:
        self._originals = originals

    def find(self, photograph: ParsedRecord) -> Path:
        """Return the file of a photograph. Raises RecordsError if it is missing."""
        folder, id_ = self._originals.folder, photograph.record.id
        file = folder / id_[:2] / id_ if folder and _HASH.fullmatch(id_) else None
        if file is None or not file.is_file():
            file = self._others.get(id_)
        if file is None:
            raise RecordsError("the file of the photograph is missing", where=photograph.where, found=f"SHA-256 {id_}",
                               remedy="name the folder that contains it with --photographs")
        return file.absolute()

    @cached_property
    def _others(self) -> dict[str, Path]:
        return files_by_hash(self._originals.folder, self._originals.executor) if self._originals.folder else {}


def _copy(place: str, photograph: tuple[str, Path]) -> None:
    """Copy an original to the photograph store at a place; may run elsewhere."""
    id_, path = photograph
    try:
        data = path.read_bytes()
    except OSError as error:
        raise RecordsError("the file cannot be read", where=str(path), found=error.strerror or str(error)) from error
    open_photographs(place).put(id_, data)


def files_by_hash(folder: Path, executor: Executor = SERIAL) -> dict[str, Path]:
    """Return the files of a folder and its subfolders by SHA-256; a file name that is a hash is used unread."""
    files = sorted(path.absolute() for path in folder.rglob("*") if path.is_file())
    named = {path: path.name for path in files if _HASH.fullmatch(path.name)}
    others = [path for path in files if path not in named]
    hashed = dict(zip(others, executor.map(_digest, None, others), strict=True))
    return {named.get(path) or hashed[path]: path for path in files}


def _digest(_given: None, path: Path) -> str:
    """Return the SHA-256 of a file, read in pieces: the folder may also contain very large files."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
