"""Import of records that `jsonl_export` wrote, validated as untrusted input."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

import msgspec

from shared.decoders import from_json
from stripread.exchange.import_records import ParsedRecord
from stripread.exchange.jsonl_export import ExportHeader, ExportLine
from stripread.store.database import LONGEST
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph
from stripread.store.models.record import in_current_terms, validation_message
from stripread.store.schema import BY_NAME
from stripread.store.store import Store

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
        raise RecordsError("an imported account must be a pseudonym only", where=where, found=record.id,
                           allowed="no roles, not active, no seal")
    return ParsedRecord(record, where)


def import_photographs(
    store: Store, found: Iterable[ParsedRecord], folder: Path | None, *, dry_run: bool = False
) -> int:
    """Copy the photographs of the records into the store, before the records; return the number of records.

    Photographs that the store has are skipped; the others are found by hash in ``folder``. Raises RecordsError for a
    missing photograph and for an invalid record.
    """
    wanted, total = {}, 0
    for one in found:
        total += 1
        if isinstance(one.record, Photograph) and one.record.removed is None:
            wanted[one.record.id] = one.where
    missing = {id_: where for id_, where in wanted.items() if not store.find(Photograph, id=id_)}
    files = files_by_hash(folder) if folder and missing else {}
    for id_, where in missing.items():
        if id_ not in files:
            raise RecordsError("the file of the photograph is missing", where=where, found=f"SHA-256 {id_}",
                               remedy="name the folder that contains it with --photographs")
        data = files[id_].read_bytes()
        if not dry_run:
            store.photographs.put(id_, data)
    return total


def files_by_hash(folder: Path) -> dict[str, Path]:
    """Return the files of a folder and its subfolders by SHA-256; a file name that is a hash is used unread."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.name if _HASH.fullmatch(path.name) else _digest(path): path for path in files}


def _digest(path: Path) -> str:
    """Return the SHA-256 of a file, read in pieces: the folder may also contain very large files."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
