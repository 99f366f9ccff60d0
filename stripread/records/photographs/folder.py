"""Photographs in a folder: written aside, flushed to the disk, then renamed into place."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

from stripread.records.errors import RecordsError
from stripread.records.photographs.interface import checked, missing

_NAME = re.compile(r"[0-9a-f]{64}")


class Folder:
    """A `PhotoStore`; files lie in subfolders named by the first two digits."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def put(self, sha256: str, data: bytes) -> None:
        """Keep the bytes; they survive a power cut once this returns."""
        path = self._path(sha256)
        checked(data, sha256, "the photograph given")
        with self._explained(path):
            if path.exists() and path.read_bytes() == data:
                return
            _make(path.parent)
            _write(path, data)

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
            yield from sorted(p.name for p in self.root.glob("??/*") if _NAME.fullmatch(p.name))

    def _path(self, sha256: str) -> Path:
        if not _NAME.fullmatch(sha256):
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
    aside = path.parent / f".{uuid4().hex}.part"
    try:
        with aside.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)
    _flush(path.parent)


def _flush(folder: Path) -> None:
    """Make sure the folder's list of names is on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
