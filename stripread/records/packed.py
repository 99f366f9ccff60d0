"""Text kept compressed: an assessment says much, a seventh of it packed."""

from __future__ import annotations

import zlib
from typing import Any

from sqlalchemy import Dialect, LargeBinary
from sqlalchemy.types import TypeDecorator


class Packed(TypeDecorator[str]):
    """A column of text, deflated. What was damaged comes back as empty text, which no record is."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> bytes:  # noqa: ARG002
        """Text on its way in."""
        return zlib.compress(str(value).encode())

    def process_result_value(self, value: Any, dialect: Dialect) -> str:  # noqa: ARG002
        """And out again."""
        try:
            return zlib.decompress(value).decode()
        except (zlib.error, TypeError, UnicodeDecodeError):
            return ""
