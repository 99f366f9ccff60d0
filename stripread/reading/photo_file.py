"""The file of a photograph: its bytes, where they come from, and the photograph decoded within bounds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from shared.errors import PhotoError
from stripread.reading.bucket import SCHEME, BucketPhoto, split_url
from stripread.reading.decoder import decode_bounded
from stripread.reading.photo import Photo

#: Where a photograph is: a file, or an object in a bucket.
PhotoAddress = Path | BucketPhoto


@dataclass(frozen=True, slots=True)
class PhotoFile:
    """The bytes of a photograph's file, and ``where`` they come from, for messages; its last part is the name."""

    where: str
    data: bytes

    def decode(self, *, whole: bool = False) -> Photo:
        """The photograph, ``whole`` without shrinking. Raises PhotoError saying what is wrong with it."""
        return decode_bounded(self.data, self.where, whole=whole)


def address_of(text: str) -> PhotoAddress:
    """The address that a text names: ``s3://BUCKET/KEY``, or a path. Raises InputError."""
    if not text.startswith(SCHEME):
        return Path(text)
    split_url(text)
    return BucketPhoto(text)


def open_photo(path: PhotoAddress) -> PhotoFile:
    """The file at an address. Raises PhotoError where it cannot be read."""
    if isinstance(path, BucketPhoto):
        return PhotoFile(path.url, path.read())
    try:
        return PhotoFile(str(path), path.read_bytes())
    except OSError as error:
        raise PhotoError("cannot be read", where=str(path), found=error.strerror or "an unreadable file") from error


def load_photo(path: PhotoAddress, *, whole: bool = False) -> Photo:
    """Read and decode a photograph, ``whole`` without shrinking. Raises PhotoError saying what is wrong with it."""
    return open_photo(path).decode(whole=whole)
