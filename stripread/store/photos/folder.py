"""Photographs in a folder: written aside, flushed to the disk, then renamed into place."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from shared.atomic_files import atomic_file, flush, make_folder, sweep
from stripread.store.errors import RecordsError
from stripread.store.photos.interface import NAME, checked_bytes, missing_photo

#: What a killed writer left half written is removed after this time, seconds.
_DAY_S: Final = 86400.0


class Folder:
    """A `PhotoStore`; files lie in subfolders named by the first two digits."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def put(self, sha256: str, data: bytes) -> None:
        """Keep the bytes; they survive a power cut once this returns."""
        path = self._path(sha256)
        checked_bytes(data, sha256, "the photograph given")
        with self._explained(path):
            if not (path.exists() and path.read_bytes() == data):
                make_folder(path.parent)
                sweep(path.parent, older_s=_DAY_S)
                with atomic_file(path) as file:
                    file.write(data)
            # Also for one that lies there: whoever wrote it may have ended before this.
            flush(path.parent)
            flush(self.root)

    def get(self, sha256: str) -> bytes:
        """The bytes, checked."""
        path = self._path(sha256)
        with self._explained(path):
            if not path.exists():
                raise missing_photo(str(path))
            return checked_bytes(path.read_bytes(), sha256, str(path))

    def remove(self, sha256: str) -> None:
        """Let the bytes go."""
        path = self._path(sha256)
        with self._explained(path):
            if path.exists():
                path.unlink()
                flush(path.parent)

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
