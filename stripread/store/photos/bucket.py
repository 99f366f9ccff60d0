"""Photographs in an S3-compatible bucket: written once, verified by SHA-256 on upload and download.

Credentials, region and endpoint come from the usual ``AWS_...`` variables.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from shared.errors import InputError
from stripread.reading.bucket import open_bucket
from stripread.store.errors import RecordsError
from stripread.store.photos.interface import NAME, checked_bytes, missing_photo


class Bucket:
    """A `PhotoStore` at ``s3://bucket/prefix``."""

    def __init__(self, url: str) -> None:
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
