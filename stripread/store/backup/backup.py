"""Incremental online backup of database and photographs, and its restoration into an empty store, verified."""

from __future__ import annotations

import fcntl
from collections.abc import Iterable, Iterator
from collections.abc import Set as AbstractSet
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any, Final, TypeVar

import msgspec
from sqlalchemy import Connection, Engine, Table, exists, insert, inspect, select

from shared.files import atomic_file, make_folder, sweep
from stripread.store import audit_trail
from stripread.store.backup import archive
from stripread.store.backup.archive import Archive, Manifest, Progress, open_archive, tables
from stripread.store.database import open_engine, shown, writer
from stripread.store.errors import RecordsError, translate_errors
from stripread.store.integrity import contradiction
from stripread.store.migrate import REVISION, revision_of, revisions, upgrade
from stripread.store.models.evidence import Photograph
from stripread.store.photos import Folder, PhotoStore, open_photographs
from stripread.store.schema import RECORD_TYPES
from stripread.store.settings import Settings
from stripread.store.store import Store

RECORDS, PHOTOGRAPHS = "records.zip", "photographs"
_LOCK: Final = ".lock"
#: Maximum number of attempts: photographs may be purged while they are copied.
_TRIES: Final = 3


class BackupResult(msgspec.Struct, frozen=True, kw_only=True):
    """Contents of a backup; ``copied``: photographs copied now; ``forgotten``: photographs purged since then."""

    manifest: Manifest
    photographs: int
    copied: int
    forgotten: int


def back_up(store: Store, folder: Path, progress: Progress[Any]) -> BackupResult:
    """Create or update the backup in a folder; the previous backup remains valid until this has finished.

    Existing photographs are not copied again; photographs purged from the store are purged from the backup. Raises
    RecordsError if the store fails verification or is not the one that was backed up to this folder before.
    """
    with _with_disk_errors(folder):
        _reject_own_photographs(store, folder)
        make_folder(folder)
        with _locked(folder):
            sweep(folder)
            return _back_up_with_retries(store, folder, progress)


def _reject_own_photographs(store: Store, folder: Path) -> None:
    """Raise RecordsError if the folder is the photograph store: a backup would purge unacknowledged photographs."""
    used = store.photographs
    if isinstance(used, Folder) and used.root.resolve() in ((folder / PHOTOGRAPHS).resolve(), folder.resolve()):
        raise RecordsError("the folder contains the photographs of the store itself", where=str(folder),
                           allowed="a separate folder, preferably on another disk")


def _back_up_with_retries(store: Store, folder: Path, progress: Progress[Any]) -> BackupResult:
    for _ in range(_TRIES):
        try:
            return _make_backup(store, folder, progress)
        except _PurgedMeanwhileError:
            continue
    raise RecordsError("photographs were purged repeatedly during the backup", where=str(folder),
                       remedy="back up again when the purge has finished")


class _PurgedMeanwhileError(Exception):
    """A photograph was purged after the snapshot."""


def _make_backup(store: Store, folder: Path, progress: Progress[Any]) -> BackupResult:
    target = Folder(folder / PHOTOGRAPHS)
    with atomic_file(folder / RECORDS, private=True) as file:
        with store.viewing() as connection:
            _check(connection, _last_checkpoint(folder / RECORDS), store.where)
            manifest = archive.write(connection, file, store.clock(), progress)
            needed = _photographs(connection)
        existing = set(target.names())
        for sha256 in progress(sorted(needed - existing), "Photographs"):
            target.put(sha256, _bytes(store, sha256))
    return BackupResult(manifest=manifest, photographs=len(needed), copied=len(needed - existing),
                forgotten=_purge(target, existing - needed))


def last_backup(folder: Path) -> Manifest | None:
    """Return the manifest of the backup in a folder, None if there is none. Raises RecordsError if it is damaged."""
    with _with_disk_errors(folder):
        if not (folder / RECORDS).exists():
            return None
        with archive.open_archive(folder / RECORDS) as last:
            return last.manifest


def _last_checkpoint(path: Path) -> audit_trail.Checkpoint | None:
    if not path.exists():
        return None
    with archive.open_archive(path) as last:
        return last.manifest.head


def _check(connection: Connection, last: audit_trail.Checkpoint | None, where: str) -> None:
    wrong = contradiction(connection, where, last)
    if wrong:
        raise RecordsError("not backed up: the store fails verification, or the folder has a backup of another store",
                           where=where, found=wrong, remedy="check the store with `stripread audit verify`; retain "
                                                            "the existing backup and use another folder")


def _photographs(connection: Connection) -> set[str]:
    table = RECORD_TYPES[Photograph].table
    return set(connection.scalars(select(table.c.id).where(table.c.removed.is_(None))))


def _bytes(store: Store, sha256: str) -> bytes:
    try:
        return store.photographs.get(sha256)
    except RecordsError as error:
        if store.get(Photograph, sha256).removed is not None:
            raise _PurgedMeanwhileError from error
        raise


def _purge(target: Folder, purged: AbstractSet[str]) -> int:
    for sha256 in purged:
        target.remove(sha256)
    return len(purged)


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Lock the folder for one backup at a time; the lock ends with the process, even after a crash."""
    with (folder / _LOCK).open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise RecordsError("another backup to this folder is running", where=str(folder),
                               remedy="wait until it has finished") from error
        yield


@contextmanager
def _with_disk_errors(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise RecordsError("the backup cannot be written; the previous backup is unchanged", where=str(folder),
                           found=error.strerror or str(error),
                           remedy="check the folder, its permissions and the free disk space") from error


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
        archive.check()
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
    needed = [row["id"] for row in archive.rows(RECORD_TYPES[Photograph].table.name, ("id", "removed"))
              if row["removed"] is None]
    target = open_photographs(place)
    _require_only_backup_photographs(target, set(needed), place)
    for sha256 in progress(needed, "Photographs"):
        target.put(sha256, _from_backup(source, sha256))


def _from_backup(source: Folder, sha256: str) -> bytes:
    try:
        return source.get(sha256)
    except RecordsError as error:
        raise RecordsError(error.what, where=error.where, found=error.found,
                           remedy="the backup is incomplete or damaged; use another backup") from error


def _require_only_backup_photographs(target: PhotoStore, needed: set[str], place: str) -> None:
    unknown = set(target.names()) - needed
    if unknown:
        raise _not_empty(place, f"photographs that are not in the backup: {len(unknown)}")


def _restore_records(archive: Archive, engine: Engine, progress: Progress[Table]) -> None:
    where, manifest = shown(engine), archive.manifest
    with translate_errors(where), writer(engine).begin() as connection:
        _make_tables(connection, manifest.revision, where)
        for table in progress(tables(connection), "Records"):
            for rows in _chunks(_parents_first(table, archive.rows(table.name, table.c.keys()))):
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
