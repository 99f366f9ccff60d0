"""Makes a backup while the store is in use: one state of the whole database, and the photographs it speaks of."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from collections.abc import Set as AbstractSet
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import msgspec
from sqlalchemy import Connection, select

from shared.atomic_files import atomic_file, make_folder, sweep
from stripread.store import audit_trail
from stripread.store.backup import archive
from stripread.store.backup.archive import Manifest, Progress
from stripread.store.errors import RecordsError
from stripread.store.integrity import contradiction
from stripread.store.models.evidence import Photograph
from stripread.store.photos.folder import Folder
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store

RECORDS, PHOTOGRAPHS = "records.zip", "photographs"
_LOCK: Final = ".lock"
#: Photographs may be let go while they are copied; then all is looked at anew, so many times.
_TRIES: Final = 3


class BackupResult(msgspec.Struct, frozen=True, kw_only=True):
    """What a backup holds, and what of it was ``copied`` now; ``forgotten``: photographs let go since the last."""

    manifest: Manifest
    photographs: int
    copied: int
    forgotten: int


def back_up(store: Store, folder: Path, progress: Progress[Any]) -> BackupResult:
    """Bring the backup in a folder up to date, or make it. Until this is done the one before stays as it was.

    Photographs that lie there already are not copied again; those that were let go are let go there too. Raises
    RecordsError where the store contradicts itself or does not continue what was backed up there before.
    """
    with _explained(folder):
        _refuse_own(store, folder)
        make_folder(folder)
        with _alone(folder):
            sweep(folder)
            return _tried(store, folder, progress)


def _refuse_own(store: Store, folder: Path) -> None:
    """The photographs in use are no copy; what is not yet acknowledged there would be taken for let go."""
    used = store.photographs
    if isinstance(used, Folder) and used.root.resolve() in ((folder / PHOTOGRAPHS).resolve(), folder.resolve()):
        raise RecordsError("the photographs in use lie there: that is no other place", where=str(folder),
                           allowed="a folder of its own, best on another disk")


def _tried(store: Store, folder: Path, progress: Progress[Any]) -> BackupResult:
    for _ in range(_TRIES):
        try:
            return _made(store, folder, progress)
        except _LetGoMeanwhileError:
            continue
    raise RecordsError("photographs were let go again and again while they were copied", where=str(folder),
                       remedy="try again when that is done")


class _LetGoMeanwhileError(Exception):
    """A photograph was let go after the state that is being backed up."""


def _made(store: Store, folder: Path, progress: Progress[Any]) -> BackupResult:
    place = Folder(folder / PHOTOGRAPHS)
    with atomic_file(folder / RECORDS, private=True) as file:
        with store.viewing() as connection:
            _check(connection, _last_head(folder / RECORDS), store.where)
            manifest = archive.write(connection, file, store.clock(), progress)
            wanted = _photographs(connection)
        lying = set(place.names())
        for sha256 in progress(sorted(wanted - lying), "Photographs"):
            place.put(sha256, _bytes(store, sha256))
    return BackupResult(manifest=manifest, photographs=len(wanted), copied=len(wanted - lying),
                forgotten=_forget(place, lying - wanted))


def _last_head(path: Path) -> audit_trail.Checkpoint | None:
    if not path.exists():
        return None
    with archive.open_archive(path) as last:
        return last.manifest.head


def _check(connection: Connection, last: audit_trail.Checkpoint | None, where: str) -> None:
    wrong = contradiction(connection, where, last)
    if wrong:
        raise RecordsError("not backed up: the store contradicts itself, or is not the one whose backup lies there",
                           where=where, found=wrong, remedy="see `stripread records verify`; keep the backup that is "
                                                            "there, and name another place")


def _photographs(connection: Connection) -> set[str]:
    table = RECORD_TYPES[Photograph].table
    return set(connection.scalars(select(table.c.id).where(table.c.removed.is_(None))))


def _bytes(store: Store, sha256: str) -> bytes:
    try:
        return store.photographs.get(sha256)
    except RecordsError as error:
        if store.get(Photograph, sha256).removed is not None:
            raise _LetGoMeanwhileError from error
        raise


def _forget(place: Folder, gone: AbstractSet[str]) -> int:
    for sha256 in gone:
        place.remove(sha256)
    return len(gone)


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Held by one backup to a folder at a time; gone with the program that holds it, however that ends."""
    with (folder / _LOCK).open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise RecordsError("another backup to this place is running", where=str(folder),
                               remedy="wait until it is done") from error
        yield


@contextmanager
def _explained(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise RecordsError("the backup cannot be written; the one before is as it was", where=str(folder),
                           found=error.strerror or str(error),
                           remedy="check the folder, its permissions and the room on its disk") from error
