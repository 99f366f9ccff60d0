"""Interface of photograph stores, and verification of their contents."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from typing import Final, Protocol

from stripread.store.errors import RecordsError

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
