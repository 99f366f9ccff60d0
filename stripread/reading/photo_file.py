"""The file of a photograph: its bytes, from a disk or an S3-compatible bucket, and the photograph decoded in bounds.

Credentials, region and endpoint come from the usual ``AWS_...`` variables.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Final

from shared.errors import InputError, PhotoError
from stripread.reading.decoder import decode_bounded
from stripread.reading.photo import SHOWN_PX, Photo

if TYPE_CHECKING:
    from obstore.store import S3Store

SCHEME: Final = "s3://"
#: Maximum number and total time of retries of a failed request.
_RETRIES, _PATIENCE = 5, timedelta(seconds=20)
#: Name of a photograph in the bucket of a store: its SHA-256.
_HASH: Final = re.compile(r"[0-9a-f]{64}")
_REMEDY: Final = "check the bucket, the network and the AWS_... variables"


@dataclass(frozen=True, slots=True)
class BucketPhoto:
    """A photograph at ``s3://BUCKET/KEY``."""

    url: str

    def __str__(self) -> str:
        return self.url

    @property
    def name(self) -> str:
        """The last part of its key."""
        return PurePosixPath(self.url).name

    def read(self) -> bytes:
        """Return the bytes. Raises PhotoError where they cannot be read."""
        import obstore
        from obstore.exceptions import BaseError

        bucket, key = split_url(self.url)
        try:
            return bytes(obstore.get(open_bucket(SCHEME + bucket), key).bytes())
        except (BaseError, OSError) as error:
            raise PhotoError("cannot be read", where=self.url, found=str(error).splitlines()[0],
                             remedy=_REMEDY) from error


def photos_below(url: str, suffixes: tuple[str, ...]) -> Iterator[BucketPhoto]:
    """Return the photographs below ``s3://BUCKET/PREFIX`` by key, as the bucket lists them.

    Photographs have one of the suffixes, or the name of a photograph in the bucket of a store.
    """
    import obstore
    from obstore.exceptions import BaseError

    bucket, prefix = split_url(url)
    try:
        for chunk in obstore.list(open_bucket(SCHEME + bucket), prefix or None):
            for found in chunk:
                name = PurePosixPath(found["path"])
                if name.suffix.lower() in suffixes or _HASH.fullmatch(name.name):
                    yield BucketPhoto(f"{SCHEME}{bucket}/{found['path']}")
    except (BaseError, OSError) as error:
        raise InputError("the bucket cannot be listed", where=url, found=str(error).splitlines()[0],
                         remedy=_REMEDY) from error


def split_url(url: str) -> tuple[str, str]:
    """Return bucket and key. Raises InputError for another address."""
    bucket, _, key = url.removeprefix(SCHEME).partition("/")
    if not url.startswith(SCHEME) or not bucket:
        raise InputError("is not the address of a bucket", where="s3://...", found=url, allowed="s3://BUCKET/PREFIX")
    return bucket, key.strip("/")


def open_bucket(url: str) -> S3Store:
    """Return the client of a bucket, or of a prefix in it; one for each in a process. Raises InputError."""
    return _opened(url, tuple(sorted((n, v) for n, v in os.environ.items() if n.startswith("AWS_"))))


@lru_cache(maxsize=8)
def _opened(url: str, _variables: tuple[tuple[str, str], ...]) -> S3Store:
    try:
        from obstore.store import S3Store
    except ModuleNotFoundError as error:
        raise InputError("the client for S3 is not installed", where=url, found=f"no module {error.name}",
                         remedy="install stripread[s3]") from error
    return S3Store.from_url(url, checksum_algorithm="SHA256",
                            retry_config={"max_retries": _RETRIES, "retry_timeout": _PATIENCE})


#: Where a photograph is: a file, or an object in a bucket.
PhotoAddress = Path | BucketPhoto


@dataclass(frozen=True, slots=True)
class PhotoFile:
    """The bytes of a photograph's file, and ``where`` they come from, for messages; its last part is the name."""

    where: str
    data: bytes

    def decode(self, least_px: int = SHOWN_PX) -> Photo:
        """The photograph; ``least_px`` as of `photo.decode`. Raises PhotoError saying what is wrong with it."""
        return decode_bounded(self.data, self.where, least_px)


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
    except FileNotFoundError as error:
        raise PhotoError("there is no such file", where=str(path), remedy="check the path") from error
    except OSError as error:
        raise PhotoError("cannot be read", where=str(path), found=error.strerror or "an unreadable file",
                         allowed="an image file", remedy="check the path and your permission to read it") from error


def load_photo(path: PhotoAddress, least_px: int = SHOWN_PX) -> Photo:
    """Read and decode a photograph; ``least_px`` as of `photo.decode`. Raises PhotoError saying what is wrong."""
    return open_photo(path).decode(least_px)
