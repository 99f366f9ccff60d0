"""Photographs in a folder: written to a temporary file, flushed to disk, then renamed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from shared.files import atomic_file, flush, make_folder, sweep
from stripread.store.errors import RecordsError
from stripread.store.photos.interface import NAME, checked_bytes, missing_photo

#: Age in seconds after which the partial file of a killed writer is removed.
_DAY_S: Final = 86400.0


class Folder:
    """A `PhotoStore`; files are in subfolders named by the first two digits."""

    def __init__(self, root: Path) -> None:
        self.root = root

    @property
    def place(self) -> str:
        """The absolute path of the folder."""
        return str(self.root.absolute())

    def put(self, sha256: str, data: bytes) -> None:
        """Store the bytes durably: after the return they survive a power failure."""
        path = self._path(sha256)
        checked_bytes(data, sha256, "the photograph given")
        with self._explained(path):
            if not (path.exists() and path.read_bytes() == data):
                make_folder(path.parent)
                sweep(path.parent, older_s=_DAY_S)
                with atomic_file(path) as file:
                    file.write(data)
            # Also for an existing file: its writer may have been killed before the flush.
            flush(path.parent)
            flush(self.root)

    def get(self, sha256: str) -> bytes:
        """Return the bytes, verified by SHA-256."""
        path = self._path(sha256)
        with self._explained(path):
            if not path.exists():
                raise missing_photo(str(path))
            return checked_bytes(path.read_bytes(), sha256, str(path))

    def remove(self, sha256: str) -> None:
        """Delete the bytes."""
        path = self._path(sha256)
        with self._explained(path):
            if path.exists():
                path.unlink()
                flush(path.parent)

    def names(self) -> Iterator[str]:
        """Return the hashes of all photographs; partial files are ignored."""
        with self._explained(self.root):
            yield from sorted(p.name for p in self.root.glob("??/*") if NAME.fullmatch(p.name))

    def _path(self, sha256: str) -> Path:
        if not NAME.fullmatch(sha256):
            raise RecordsError("not the name of a photograph", where=str(self.root), found=repr(sha256[:80]),
                               allowed="a SHA-256 in hexadecimal")
        return self.root / sha256[:2] / sha256

    @contextmanager
    def _explained(self, path: Path) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise RecordsError("the photograph store failed", where=str(path), found=error.strerror or str(error),
                               remedy="check the folder, its permissions and the free disk space") from error
