"""Store of original photographs by SHA-256, in a folder or a bucket."""

from __future__ import annotations

from pathlib import Path

from stripread.store.errors import RecordsError
from stripread.store.photos.folder import Folder
from stripread.store.photos.interface import PhotoStore

__all__ = ["PhotoStore", "open_photographs"]


def open_photographs(place: str) -> PhotoStore:
    """Return the photograph store at a folder's path or a bucket's URL (``s3://bucket/prefix``)."""
    if "://" not in place:
        return Folder(Path(place))
    if not place.startswith("s3://"):
        raise RecordsError("this type of photograph store is not supported", where="setting `photographs`",
                           found=place.partition("://")[0] + "://...", allowed="a folder, or s3://bucket/prefix")
    from stripread.store.photos.bucket import Bucket

    return Bucket(place)
