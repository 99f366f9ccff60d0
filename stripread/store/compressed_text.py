"""Text kept compressed: an assessment says much, a seventh of it packed."""

from __future__ import annotations

import zlib
from typing import Any, Final

from sqlalchemy import Dialect, LargeBinary
from sqlalchemy.types import TypeDecorator

#: Longest text that is kept, bytes: a body that unpacks to more was made to fill the memory.
LONGEST: Final = 64 * 2**20


class CompressedText(TypeDecorator[str]):
    """A column of text, deflated. What was damaged comes back as empty text, which no record is."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> bytes:  # noqa: ARG002
        """Text on its way in."""
        return zlib.compress(str(value).encode())

    def process_result_value(self, value: Any, dialect: Dialect) -> str:  # noqa: ARG002
        """And out again."""
        try:
            return _unpacked(value).decode()
        except (zlib.error, TypeError, UnicodeDecodeError):
            return ""


def _unpacked(value: bytes) -> bytes:
    unpacking = zlib.decompressobj()
    text = unpacking.decompress(value, LONGEST)
    if not unpacking.eof or unpacking.unused_data:
        raise zlib.error("cut off, too long, or something follows")
    return text
