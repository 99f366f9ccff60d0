"""The archive of a backup: a ZIP file with one member for each table, one JSON line for each row, and a manifest.

The contents do not depend on the type of database. The checksums of the ZIP file detect damage; the audit trail, whose
checkpoint is in the manifest, detects changes.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, Any, BinaryIO, Final, Literal, TypeVar
from zipfile import ZIP_DEFLATED, BadZipFile, ZipFile

import msgspec
from sqlalchemy import Column, Connection, MetaData, Table, select

from shared.decoders import from_json
from shared.files import decode_json
from stripread.store import audit_trail
from stripread.store.database import LONGEST, CompressedText
from stripread.store.errors import RecordsError
from stripread.store.migrate import REVISION_TABLE, revision_of
from stripread.store.models.record import Moment
from stripread.store.schema import (
    ATTEMPTS,
    BODIES,
    JOBS,
    READING_FLAGS,
    REVIEW_QUEUE,
    SESSIONS,
    SETUP_CODES,
    UPLOAD_PARTS,
    UPLOADS,
)
from stripread.version import SOFTWARE

T = TypeVar("T")
#: Yields the items and meanwhile reports progress; the text is the label.
Progress = Callable[[Sequence[T], str], Iterable[T]]


def without_progress(items: Sequence[T], _label: str) -> Iterable[T]:
    """Return the items without reporting progress."""
    return items


_MANIFEST: Final = "manifest.json"
#: Sessions must not survive a restoration, nor what a running server counts; phones send unfinished uploads again. The
#: last two tables follow from others, and a restoration makes their rows. The revision is in the manifest.
_EXCLUDED: Final = (*(t.name for t in (SESSIONS, ATTEMPTS, SETUP_CODES, UPLOADS, UPLOAD_PARTS, JOBS, READING_FLAGS,
                                       REVIEW_QUEUE)), REVISION_TABLE)
#: Rows fetched at a time.
_CHUNK: Final = 500
#: A row contains one body, in which each character may need an escape; a manifest has one line for each table.
_LONGEST_LINE: Final = 2 * LONGEST + 2**16
_LONGEST_MANIFEST: Final = 2**20
#: Fast compression; the result is about 10 % larger than at the best level.
_LEVEL: Final = 1


class Manifest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Contents of a backup: schema ``revision``, checkpoint (``head``) of the audit trail, ``rows`` by table."""

    format: Literal["records-backup/1"] = "records-backup/1"
    revision: str
    head: audit_trail.Checkpoint
    made: Moment
    software: str
    rows: dict[str, int]


def tables(connection: Connection) -> list[Table]:
    """Return the tables to back up as the database defines them, each after the tables it refers to."""
    metadata = MetaData()
    Table(BODIES.name, metadata, Column(BODIES.c.body.name, CompressedText, nullable=False), autoload_with=connection)
    metadata.reflect(connection, only=lambda name, _: name not in _EXCLUDED)
    return metadata.sorted_tables


def write(connection: Connection, file: BinaryIO, made: Moment, progress: Progress[Table]) -> Manifest:
    """Write all tables as this transaction sees them; return the manifest."""
    with ZipFile(file, "w", ZIP_DEFLATED, compresslevel=_LEVEL) as archive:
        rows = {t.name: _write_table(archive, connection, t) for t in progress(tables(connection), "Records")}
        manifest = Manifest(revision=revision_of(connection) or "", head=audit_trail.checkpoint(connection), made=made,
                            software=SOFTWARE, rows=rows)
        archive.writestr(_MANIFEST, msgspec.json.format(msgspec.json.encode(manifest)))
    return manifest


def _write_table(archive: ZipFile, connection: Connection, table: Table) -> int:
    rows = connection.execute(select(table).order_by(*table.primary_key), execution_options={"yield_per": _CHUNK})
    count = 0
    with archive.open(_member(table.name), "w", force_zip64=True) as file:
        for count, row in enumerate(rows.mappings(), start=1):  # noqa: B007
            file.write(msgspec.json.encode(dict(row)) + b"\n")
    return count


class Archive:
    """The archive of a backup, opened by `open_archive`."""

    def __init__(self, path: Path, archive: ZipFile) -> None:
        self.path = path
        self._zip = archive
        self.manifest = decode_json(_manifest(archive), Manifest, where=f"{path}: {_MANIFEST}")

    def check(self) -> None:
        """Raise RecordsError unless the checksum of each member is right: rows are used before theirs is known."""
        with _readable(self.path):
            damaged = self._zip.testzip()
            if damaged is not None:
                raise BadZipFile(f"the checksum of {damaged} is wrong")

    def rows(self, table: str, columns: Collection[str]) -> Iterator[dict[str, Any]]:
        """Return the rows of a table with these columns.

        Raises RecordsError if the file is damaged, or rows or columns are missing.
        """
        count = 0
        with _readable(self.path), self._zip.open(_member(table)) as file:
            for count, row in enumerate(_lines(file), start=1):  # noqa: B007
                yield {name: row[name] for name in columns}
        if count != self.manifest.rows.get(table):
            raise RecordsError("the backup was changed: the number of rows does not match the manifest",
                               where=f"{self.path}: {table}", found=f"{count} rows",
                               allowed=f"{self.manifest.rows.get(table)}")


@contextmanager
def open_archive(path: Path) -> Iterator[Archive]:
    """Open the archive of a backup. Raises RecordsError if it is missing, damaged or not a backup."""
    with ExitStack() as stack:
        with _readable(path):
            archive = Archive(path, stack.enter_context(ZipFile(path)))
        yield archive


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError as error:
        raise RecordsError("no backup in this folder", where=str(path.parent), found=f"no {path.name}",
                           allowed="the folder that `stripread storage backup` wrote to") from error
    # RuntimeError: the file seems to be encrypted, or to need another version of ZIP.
    except (BadZipFile, KeyError, zlib.error, EOFError, msgspec.DecodeError, OSError, RuntimeError) as error:
        raise RecordsError("the backup cannot be read: the file is damaged or not a backup", where=str(path),
                           found=str(error), remedy="use another copy of the backup") from error


def _manifest(archive: ZipFile) -> bytes:
    with archive.open(_MANIFEST) as file:
        return _limited(file.read(_LONGEST_MANIFEST + 1), _LONGEST_MANIFEST)


def _lines(file: IO[bytes]) -> Iterator[dict[str, Any]]:
    while line := file.readline(_LONGEST_LINE + 1):
        yield from_json(_limited(line, _LONGEST_LINE), dict[str, Any])


def _limited(data: bytes, longest: int) -> bytes:
    """Return the data. Raises BadZipFile for a decompression bomb."""
    if len(data) > longest:
        raise BadZipFile(f"more than {longest} bytes in one piece")
    return data


def _member(table: str) -> str:
    return f"{table}.jsonl"
