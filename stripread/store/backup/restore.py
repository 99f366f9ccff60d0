"""Restoration of a backup into an empty SQLite or PostgreSQL store, verified before it is committed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any, Final, TypeVar

from sqlalchemy import Connection, Engine, Table, exists, insert, inspect, select

from stripread.store.backup.archive import Archive, Manifest, Progress, open_archive, tables
from stripread.store.backup.make import PHOTOGRAPHS, RECORDS
from stripread.store.database import open_engine, shown, writer
from stripread.store.errors import RecordsError, translate_errors
from stripread.store.integrity import contradiction
from stripread.store.migrate import REVISION, revision_of, revisions, upgrade
from stripread.store.models.evidence import Photograph
from stripread.store.photos import Folder, PhotoStore, open_photographs
from stripread.store.schema import RECORD_TYPES
from stripread.store.settings import Settings

T = TypeVar("T")
Row = dict[str, Any]
#: Rows inserted at a time.
_CHUNK: Final = 500


def restore(folder: Path, settings: Settings, progress: Progress[Any]) -> Manifest:
    """Restore a backup atomically into the store of ``settings``, which must be empty; return the manifest.

    Photographs first, then all records in one transaction, which is committed only if they agree with the audit trail
    and its checkpoint. After an interruption, a new call resumes. Raises RecordsError.
    """
    with open_archive(folder / RECORDS) as archive:
        manifest = archive.manifest
        if manifest.revision not in revisions():
            raise RecordsError("the backup was made by a later version of this program", where=str(archive.path),
                               found=f"schema {manifest.revision}, {manifest.software}",
                               allowed=f"up to {REVISION}", remedy="install that version")
        engine = open_engine(settings.database)
        try:
            with translate_errors(shown(engine)), engine.begin() as connection:
                _check_empty(connection, manifest.revision, shown(engine))
            _restore_photographs(archive, Folder(folder / PHOTOGRAPHS), settings.photographs, progress)
            _restore_records(archive, engine, progress)
        finally:
            engine.dispose()
    return manifest


def _restore_photographs(archive: Archive, source: Folder, place: str, progress: Progress[str]) -> None:
    needed = [row["id"] for row in archive.rows(RECORD_TYPES[Photograph].table.name) if row["removed"] is None]
    target = open_photographs(place)
    _require_only_backup_photographs(target, set(needed), place)
    for sha256 in progress(needed, "Photographs"):
        target.put(sha256, source.get(sha256))


def _require_only_backup_photographs(target: PhotoStore, needed: set[str], place: str) -> None:
    unknown = set(target.names()) - needed
    if unknown:
        raise _not_empty(place, f"photographs that are not in the backup: {len(unknown)}")


def _restore_records(archive: Archive, engine: Engine, progress: Progress[Table]) -> None:
    where, manifest = shown(engine), archive.manifest
    with translate_errors(where), writer(engine).begin() as connection:
        _make_tables(connection, manifest.revision, where)
        for table in progress(tables(connection), "Records"):
            for rows in _chunks(_parents_first(table, archive.rows(table.name))):
                connection.execute(insert(table), rows)
        upgrade(connection, REVISION)
        wrong = contradiction(connection, where, manifest.head)
        if wrong:
            raise RecordsError("not restored: the backup fails verification", where=str(archive.path), found=wrong,
                               remedy="use another backup, and find out who changed this one")


def _make_tables(connection: Connection, revision: str, where: str) -> None:
    """Create empty tables of the backup's revision; those of a store without records are used as they are."""
    _check_empty(connection, revision, where)
    if revision_of(connection) is None:
        upgrade(connection, revision)


def _check_empty(connection: Connection, revision: str, where: str) -> None:
    """Raise RecordsError if the database has rows, or tables of another program or revision."""
    found = revision_of(connection)
    if found is None:
        if others := inspect(connection).get_table_names():
            raise _not_empty(where, f"table {others[0]} of another program")
        return
    used = [t.name for t in tables(connection) if connection.scalar(select(exists(select(t))))]
    if used:
        raise _not_empty(where, f"rows in {', '.join(sorted(used))}")
    if found != revision:
        raise RecordsError("the database and the backup have different schema versions", where=where,
                           found=f"schema {found}", allowed=f"schema {revision}, or a new database",
                           remedy="name a new database, or delete this one")


def _not_empty(where: str, found: str) -> RecordsError:
    return RecordsError("not restored: the store is not empty, and a restoration never overwrites data", where=where,
                        found=found, allowed="an empty store",
                        remedy="name a new database and a new folder or bucket for photographs in the settings")


def _parents_first(table: Table, rows: Iterable[Row]) -> Iterator[Row]:
    """Return the rows, ordered so that each follows the rows of the same table that it refers to."""
    own = [key.parent.name for key in table.foreign_keys if key.column.table is table]
    if not own:
        yield from rows
        return
    seen: set[str] = set()
    waiting: dict[str, list[Row]] = {}
    for row in rows:
        ready = [row]
        while ready:
            one = ready.pop()
            before = next((one[name] for name in own if one[name] is not None and one[name] not in seen), None)
            if before is not None:
                waiting.setdefault(before, []).append(one)
                continue
            yield one
            seen.add(one["id"])
            ready += waiting.pop(one["id"], [])


def _chunks(rows: Iterator[T]) -> Iterator[list[T]]:
    while chunk := list(islice(rows, _CHUNK)):
        yield chunk
