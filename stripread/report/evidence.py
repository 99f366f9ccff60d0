"""Kept photographs for reports: only their pixels go into one."""

from __future__ import annotations

from typing import Final

from shared.errors import InputError
from stripread.reading.photo import decode
from stripread.records.store import Store
from stripread.report import picture
from stripread.report.document.model import Photo

#: The longer side of a thumbnail, pixels.
_THUMBNAIL_PX: Final = 360


def kept_photo(store: Store, sha256: str, caption: str, *, longest: int) -> Photo:
    """A photograph with its longer side brought down to so many pixels. Raises InputError where it is not there."""
    shown = picture.whole(decode(store.photographs.get(sha256), caption), longest)
    return Photo(shown.uri, (shown.width, shown.height), caption)


def thumbnail(store: Store, sha256: str, caption: str) -> Photo | None:
    """A small one, or None where the photograph was let go or cannot be read."""
    try:
        return kept_photo(store, sha256, caption, longest=_THUMBNAIL_PX)
    except InputError:
        return None
