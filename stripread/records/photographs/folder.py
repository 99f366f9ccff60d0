"""Photographs in a folder: written aside, flushed to the disk, then renamed into place."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final
from uuid import uuid4

from stripread.records.errors import RecordsError
from stripread.records.photographs.interface import NAME, checked, missing

_HALF: Final = ".part"
_DAY_S: Final = 86400.0


class Folder:
    """A `PhotoStore`; files lie in subfolders named by the first two digits."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def put(self, sha256: str, data: bytes) -> None:
        """Keep the bytes; they survive a power cut once this returns."""
        path = self._path(sha256)
        checked(data, sha256, "the photograph given")
        with self._explained(path):
            if not (path.exists() and path.read_bytes() == data):
                _make(path.parent)
                _sweep(path.parent)
                _write(path, data)
            # Also for one that lies there: whoever wrote it may have ended before this.
            _flush(path.parent)
            _flush(self.root)

    def get(self, sha256: str) -> bytes:
        """The bytes, checked."""
        path = self._path(sha256)
        with self._explained(path):
            if not path.exists():
                raise missing(str(path))
            return checked(path.read_bytes(), sha256, str(path))

    def remove(self, sha256: str) -> None:
        """Let the bytes go."""
        path = self._path(sha256)
        with self._explained(path):
            if path.exists():
                path.unlink()
                _flush(path.parent)

    def names(self) -> Iterator[str]:
        """All that lies there; not what is half written."""
        with self._explained(self.root):
            yield from sorted(p.name for p in self.root.glob("??/*") if NAME.fullmatch(p.name))

    def _path(self, sha256: str) -> Path:
        if not NAME.fullmatch(sha256):
            raise RecordsError("no name of a photograph", where=str(self.root), found=repr(sha256[:80]),
                               allowed="a SHA-256 in hexadecimal")
        return self.root / sha256[:2] / sha256

    @contextmanager
    def _explained(self, path: Path) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise RecordsError("the photograph store failed", where=str(path), found=error.strerror or str(error),
                               remedy="check the folder, its permissions and the room on its disk") from error


def _make(folder: Path) -> None:
    """The folder and those above it; each new one flushed into its parent."""
    if not folder.is_dir():
        _make(folder.parent)
        folder.mkdir(exist_ok=True)
        _flush(folder.parent)


def _write(path: Path, data: bytes) -> None:
    aside = path.parent / f".{uuid4().hex}{_HALF}"
    try:
        with aside.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def _sweep(folder: Path) -> None:
    """Remove what writers that were killed left half written, a day after."""
    for aside in folder.glob(f".*{_HALF}"):
        with suppress(FileNotFoundError):
            if time.time() - aside.stat().st_mtime > _DAY_S:
                aside.unlink()


def _flush(folder: Path) -> None:
    """Make sure the folder's list of names is on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
