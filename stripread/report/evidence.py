"""Kept photographs for reports: only their pixels go into one."""

from __future__ import annotations

from typing import Final

from shared.errors import InputError
from stripread.reading.photo import Photo as Decoded
from stripread.reading.photo import decode
from stripread.records.kinds.evidence import StoredReading
from stripread.records.store import Store
from stripread.report.document.model import Photo
from stripread.report.overlay import draw_overlay
from stripread.report.picture import Pixels, eight_bit, jpeg, reduced

#: The longer side of a thumbnail, pixels.
_THUMBNAIL_PX: Final = 360


def plain_and_drawn(store: Store, kept: StoredReading, *, longest: int) -> tuple[Photo, Photo]:
    """A reading's photograph, and the same with what was found drawn over it. Raises InputError if it is not there."""
    photo = _decoded(store, kept.photograph)
    name, digits = kept.reading.photo, kept.photograph[:12]
    found = draw_overlay(photo, kept.reading)
    return (_shown(eight_bit(photo), f"{name}, SHA-256 {digits}", longest),
            _shown(found, "The same with what was found", longest))


def thumbnail(store: Store, sha256: str, caption: str) -> Photo | None:
    """A small one, or None where the photograph was let go or cannot be read."""
    try:
        return _shown(eight_bit(_decoded(store, sha256)), caption, _THUMBNAIL_PX)
    except InputError:
        return None


def _decoded(store: Store, sha256: str) -> Decoded:
    return decode(store.photographs.get(sha256), f"photograph {sha256[:12]}")


def _shown(pixels: Pixels, caption: str, longest: int) -> Photo:
    small = reduced(pixels, longest)
    return Photo(jpeg(small), (small.shape[1], small.shape[0]), caption)
