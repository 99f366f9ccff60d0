"""Incremental online backup: a snapshot of the whole database, and the photographs that it refers to."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from collections.abc import Set as AbstractSet
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import msgspec
from sqlalchemy import Connection, select

from shared.files import atomic_file, make_folder, sweep
from stripread.store import audit_trail
from stripread.store.backup import archive
from stripread.store.backup.archive import Manifest, Progress
from stripread.store.errors import RecordsError
from stripread.store.integrity import contradiction
from stripread.store.models.evidence import Photograph
from stripread.store.photos import Folder
from stripread.store.schema import RECORD_TYPES
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
