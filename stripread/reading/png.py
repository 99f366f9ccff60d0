"""Chunks of a PNG file (ISO/IEC 15948, 5.3), so that damaged ancillary ones cost neither picture nor time."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Final

_SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
#: What the pixels need; `acTL` announces an animation.
_NEEDED: Final = (b"IHDR", b"PLTE", b"acTL", b"IDAT", b"IEND")


def is_png(data: bytes) -> bool:
    """Whether the bytes start as those of a PNG file do."""
    return data.startswith(_SIGNATURE)


def exif_block(data: bytes) -> bytes | None:
    """The body of the first `eXIf` chunk, wherever it lies; None without one."""
    return next((whole[8:-4] for kind, whole in _chunks(data) if kind == b"eXIf"), None)


def bare(data: bytes) -> bytes:
    """The file without its ancillary chunks."""
    return _SIGNATURE + b"".join(whole for kind, whole in _chunks(data) if kind in _NEEDED)


def _chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Type and whole chunk, with length and checksum; the last may be cut short."""
    at = len(_SIGNATURE)
    while at + 8 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        yield kind, data[at : at + length + 12]
        at += length + 12
