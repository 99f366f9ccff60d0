"""What a photograph store does, and the check that what comes out is what went in."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from typing import Final, Protocol

from stripread.store.errors import RecordsError

#: What a photograph is called.
NAME: Final = re.compile(r"[0-9a-f]{64}")
_AGAIN = "restore it from a backup, or add the original again"


class PhotoStore(Protocol):
    """Bytes under their SHA-256 (hex). Each method raises RecordsError where the place fails."""

    def put(self, sha256: str, data: bytes) -> None:
        """Keep the bytes; they are safe when this returns. Again the same: nothing changes, damage is repaired."""

    def get(self, sha256: str) -> bytes:
        """The bytes, checked. Raises RecordsError where they are missing or damaged."""

    def remove(self, sha256: str) -> None:
        """Let the bytes go; none there: nothing to do."""

    def names(self) -> Iterator[str]:
        """The SHA-256 of all that lies there."""


def digest(data: bytes) -> str:
    """SHA-256, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def checked_bytes(data: bytes, sha256: str, where: str) -> bytes:
    """The bytes, if they are those of the name."""
    if digest(data) != sha256:
        raise RecordsError("the photograph is damaged: its bytes are not those that were received", where=where,
                           found=f"SHA-256 {digest(data)}", remedy=_AGAIN)
    return data


def missing_photo(where: str) -> RecordsError:
    """The error for a photograph that should be there."""
    return RecordsError("the photograph is missing", where=where, remedy=_AGAIN)
