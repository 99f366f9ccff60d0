"""The file of a photograph: its bytes, where they come from, and the photograph decoded within bounds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from shared.errors import PhotoError
from stripread.reading.decoder import decode_bounded
from stripread.reading.photo import Photo


@dataclass(frozen=True, slots=True)
class PhotoFile:
    """The bytes of a photograph's file, and ``where`` they come from, for messages; its last part is the name."""

    where: str
    data: bytes

    def decode(self, *, whole: bool = False) -> Photo:
        """The photograph, ``whole`` without shrinking. Raises PhotoError saying what is wrong with it."""
        return decode_bounded(self.data, self.where, whole=whole)


def open_photo(path: Path) -> PhotoFile:
    """The file at a path. Raises PhotoError where it cannot be read."""
    try:
        return PhotoFile(str(path), path.read_bytes())
    except OSError as error:
        raise PhotoError("cannot be read", where=str(path), found=error.strerror or "an unreadable file") from error


def load_photo(path: Path, *, whole: bool = False) -> Photo:
    """Read and decode a photograph, ``whole`` without shrinking. Raises PhotoError saying what is wrong with it."""
    return open_photo(path).decode(whole=whole)
