"""The one writer of files: written aside, flushed to the disk, then renamed into place; complete or absent."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, Final
from uuid import uuid4

_HALF: Final = ".part"


@contextmanager
def atomic_file(path: Path, *, private: bool = False) -> Iterator[BinaryIO]:
    """A file to write, which takes its name once all of it is on the disk; after a fault the name is unchanged.

    ``private``: only the owner may read it. A link remains a link: the file it points to is replaced.
    """
    path = path.resolve()
    aside = path.parent / f".{uuid4().hex}{_HALF}"
    try:
        with aside.open("xb") as file:
            if private:
                os.fchmod(file.fileno(), 0o600)
            yield file
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)
    flush(path.parent)


def make_folder(folder: Path) -> None:
    """The folder and those above it; each new one flushed into its parent."""
    if not folder.is_dir():
        make_folder(folder.parent)
        folder.mkdir(exist_ok=True)
        flush(folder.parent)


def flush(folder: Path) -> None:
    """Make sure the folder's list of names is on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sweep(folder: Path, *, older_s: float = 0.0) -> None:
    """Remove files that killed writers left incomplete; with ``older_s`` 0 no other process may be writing."""
    for aside in folder.glob(f".*{_HALF}"):
        with suppress(FileNotFoundError):
            if time.time() - aside.stat().st_mtime >= older_s:
                aside.unlink()
