"""Store of original photographs by SHA-256, in a folder or an S3-compatible bucket, verified whenever they are read.

A job contains the address of a photograph, and the process that evaluates it opens it: no bytes pass through a queue or
a scheduler. Credentials, region and endpoint of a bucket come from the ``AWS_...`` variables of that process.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

from shared.errors import InputError
from shared.files import atomic_file, flush, make_folder, sweep
from stripread.store.errors import RecordsError

if TYPE_CHECKING:
    from stripread.reading.photo_file import PhotoFile

#: Name of a stored photograph: its SHA-256.
NAME: Final = re.compile(r"[0-9a-f]{64}")
_AGAIN = "restore it from a backup, or add the original again"


class PhotoStore(Protocol):
    """Bytes by SHA-256 (hex). Each method raises RecordsError if the storage fails."""

    @property
    def place(self) -> str:
        """The folder's path or bucket's URL by which another process opens the same store; without credentials."""

    def put(self, sha256: str, data: bytes) -> None:
        """Store the bytes durably. Storing them again is idempotent, and repairs damage."""

    def get(self, sha256: str) -> bytes:
        """Return the bytes, verified. Raises RecordsError if they are missing or damaged."""

    def remove(self, sha256: str) -> None:
        """Delete the bytes, if they exist."""

    def names(self) -> Iterator[str]:
        """Return the SHA-256 of all stored photographs."""


def digest(data: bytes) -> str:
    """Return the SHA-256 in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def checked_bytes(data: bytes, sha256: str, where: str) -> bytes:
    """Return the bytes. Raises RecordsError unless they match their SHA-256."""
    if digest(data) != sha256:
        raise RecordsError("the photograph is damaged: its bytes are not those that were received", where=where,
                           found=f"SHA-256 {digest(data)}", remedy=_AGAIN)
    return data


def missing_photo(where: str) -> RecordsError:
    """Return the error for a missing photograph."""
    return RecordsError("the photograph is missing", where=where, remedy=_AGAIN)


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


class Bucket:
    """A `PhotoStore` at ``s3://bucket/prefix``."""

    def __init__(self, url: str) -> None:
        from stripread.reading.photo_file import open_bucket

        self.url = url
        try:
            self._store = open_bucket(url)
        except InputError as error:
            raise RecordsError(error.what, where="setting `photographs`", found=error.found,
                               remedy=error.remedy) from error

    @property
    def place(self) -> str:
        """The URL of the bucket."""
        return self.url

    def put(self, sha256: str, data: bytes) -> None:
        """Store the bytes; the server verifies their SHA-256."""
        import obstore
        from obstore.exceptions import AlreadyExistsError

        checked_bytes(data, sha256, "the photograph given")
        with self._explained(sha256):
            try:
                obstore.put(self._store, sha256, data, mode="create", use_multipart=False)
            except AlreadyExistsError:
                if bytes(obstore.get(self._store, sha256).bytes()) != data:
                    obstore.put(self._store, sha256, data, mode="overwrite", use_multipart=False)

    def get(self, sha256: str) -> bytes:
        """Return the bytes, verified by SHA-256."""
        import obstore

        with self._explained(sha256):
            try:
                data = bytes(obstore.get(self._store, sha256).bytes())
            except FileNotFoundError as error:
                raise missing_photo(f"{self.url}/{sha256}") from error
        return checked_bytes(data, sha256, f"{self.url}/{sha256}")

    def remove(self, sha256: str) -> None:
        """Delete the bytes."""
        import obstore

        with self._explained(sha256):
            obstore.delete(self._store, sha256)

    def names(self) -> Iterator[str]:
        """Return the hashes of all photographs; other objects in the bucket are ignored."""
        import obstore

        with self._explained(""):
            yield from sorted(o["path"] for chunk in obstore.list(self._store) for o in chunk
                              if NAME.fullmatch(o["path"]))

    @contextmanager
    def _explained(self, sha256: str) -> Iterator[None]:
        from obstore.exceptions import BaseError

        try:
            yield
        except (BaseError, OSError) as error:
            raise RecordsError("the photograph store failed", where=f"{self.url}/{sha256}",
                               found=str(error).splitlines()[0],
                               remedy="check the bucket, the network and the AWS_... variables") from error


def open_photographs(place: str) -> PhotoStore:
    """Return the photograph store at a folder's path or a bucket's URL (``s3://bucket/prefix``)."""
    if "://" not in place:
        return Folder(Path(place))
    if not place.startswith("s3://"):
        raise RecordsError("this type of photograph store is not supported", where="setting `photographs`",
                           found=place.partition("://")[0] + "://...", allowed="a folder, or s3://bucket/prefix")
    return Bucket(place)


@dataclass(frozen=True, slots=True)
class StoredPhoto:
    """A photograph in the store at ``place``; ``name``: for messages."""

    place: str
    sha256: str
    name: str

    def open(self) -> PhotoFile:
        """Return the file. Raises RecordsError if it is missing or damaged."""
        from stripread.reading.photo_file import PhotoFile

        return PhotoFile(self.name, open_photographs(self.place).get(self.sha256))
