"""The file of a backup: a ZIP with a line of JSON for each row, a member a table, and a manifest.

It says the same whichever kind of database it came from. The ZIP's checksums tell damage; that nothing was changed
follows from the log, whose head the manifest names.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
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
from stripread.store.schema import BODIES, SESSIONS
from stripread.version import SOFTWARE

T = TypeVar("T")
#: Yields the items, and shows meanwhile how many are done; the text names the work.
Progress = Callable[[Sequence[T], str], Iterable[T]]


def without_progress(items: Sequence[T], _label: str) -> Iterable[T]:
    """The items, and nobody is told."""
    return items


_MANIFEST: Final = "manifest.json"
#: Who was signed in shall not be so again; the revision stands in the manifest.
_LEFT_OUT: Final = (SESSIONS.name, REVISION_TABLE)
#: Rows fetched at a time.
_CHUNK: Final = 500
#: A row holds one body, each letter of which may need another to quote it; a manifest a line a table.
_LONGEST_LINE: Final = 2 * LONGEST + 2**16
_LONGEST_MANIFEST: Final = 2**20
#: Quick, and a tenth larger than the best.
_LEVEL: Final = 1


class Manifest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a backup holds: the schema's ``revision``, the log's ``head``, how many ``rows`` by table."""

    format: Literal["records-backup/1"] = "records-backup/1"
    revision: str
    head: audit_trail.Checkpoint
    made: Moment
    software: str
    rows: dict[str, int]


def tables(connection: Connection) -> list[Table]:
    """The tables to be kept, as the database has them, each after those it refers to."""
    found = MetaData()
    Table(BODIES.name, found, Column(BODIES.c.body.name, CompressedText, nullable=False), autoload_with=connection)
    found.reflect(connection, only=lambda name, _: name not in _LEFT_OUT)
    return found.sorted_tables


def write(connection: Connection, file: BinaryIO, made: Moment, progress: Progress[Table]) -> Manifest:
    """Write all that the transaction sees."""
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
    """A backup's file, opened by `open_archive`."""

    def __init__(self, path: Path, archive: ZipFile) -> None:
        self.path = path
        self._zip = archive
        self.manifest = decode_json(_manifest(archive), Manifest, where=f"{path}: {_MANIFEST}")

    def rows(self, table: str) -> Iterator[dict[str, Any]]:
        """The rows of a table. Raises RecordsError where the file is damaged or they are not all there."""
        count = 0
        with _readable(self.path), self._zip.open(_member(table)) as file:
            for count, row in enumerate(_lines(file), start=1):  # noqa: B007
                yield row
        if count != self.manifest.rows.get(table):
            raise RecordsError("the backup is not as it was made", where=f"{self.path}: {table}", found=f"{count} rows",
                               allowed=f"{self.manifest.rows.get(table)}")


@contextmanager
def open_archive(path: Path) -> Iterator[Archive]:
    """The backup's file to read. Raises RecordsError where it is missing, damaged, or none."""
    with ExitStack() as stack:
        with _readable(path):
            found = Archive(path, stack.enter_context(ZipFile(path)))
        yield found


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError as error:
        raise RecordsError("there is no backup", where=str(path.parent), found=f"no {path.name}",
                           allowed="the folder that `stripread records backup` wrote to") from error
    except (BadZipFile, KeyError, zlib.error, EOFError, msgspec.DecodeError, OSError) as error:
        raise RecordsError("the backup cannot be read: it is damaged, or no backup", where=str(path),
                           found=str(error), remedy="take another copy of it") from error


def _manifest(archive: ZipFile) -> bytes:
    with archive.open(_MANIFEST) as file:
        return _bounded(file.read(_LONGEST_MANIFEST + 1), _LONGEST_MANIFEST)


def _lines(file: IO[bytes]) -> Iterator[dict[str, Any]]:
    while line := file.readline(_LONGEST_LINE + 1):
        yield from_json(_bounded(line, _LONGEST_LINE), dict[str, Any])


def _bounded(data: bytes, longest: int) -> bytes:
    """The data, unless it was packed to fill the memory of whoever unpacks it."""
    if len(data) > longest:
        raise BadZipFile(f"more than {longest} bytes in one piece")
    return data


def _member(table: str) -> str:
    return f"{table}.jsonl"
