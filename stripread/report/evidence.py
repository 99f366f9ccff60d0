"""Stored photographs for reports; a report contains only their pixels."""

from __future__ import annotations

from typing import Final, Protocol

import msgspec

from shared.errors import InputError
from stripread.reading.photo_file import PhotoFile
from stripread.reading.result import Reading
from stripread.report.document.model import DocumentPhoto
from stripread.report.overlay import draw_overlay
from stripread.report.picture import Pixels, data_uri, eight_bit, encoded, reduced
from stripread.store.models.evidence import StoredReading
from stripread.store.store import Store

#: The longer side of a thumbnail, pixels.
_THUMBNAIL_PX: Final = 360


class Jpeg(msgspec.Struct, frozen=True, kw_only=True):
    """Image reduced for a report, and its ``size`` in pixels, width first."""

    data: bytes
    size: tuple[int, int]


class Drawing(Protocol):
    """Signature of `plain_and_drawn`; the web server runs it in a worker process."""

    def __call__(self, *, data: bytes, reading: Reading, longest: int) -> tuple[Jpeg, Jpeg]:
        """Return the photograph, and the photograph with the overlay."""


def plain_and_drawn(*, data: bytes, reading: Reading, longest: int) -> tuple[Jpeg, Jpeg]:
    """Return a photograph, and the same with a reading's overlay, neither side longer than ``longest`` pixels.

    The overlay is drawn on the original and reduced with it: outlines are pixels of the original.
    Raises PhotoError where the photograph cannot be decoded.
    """
    photo = PhotoFile(f"photograph {reading.provenance.photo_sha256[:12]}", data).decode()
    return _reduced(eight_bit(photo), longest), _reduced(draw_overlay(photo, reading), longest)


def pictures(
    store: Store, stored: StoredReading, drawing: Drawing, *, longest: int
) -> tuple[DocumentPhoto, DocumentPhoto]:
    """Return both images of a reading with captions. Raises InputError where the photograph is unavailable."""
    plain, drawn = drawing(data=store.photographs.get(stored.photograph), reading=stored.reading, longest=longest)
    return (_captioned(plain, f"{stored.reading.photo}, SHA-256 {stored.photograph[:12]}"),
            _captioned(drawn, "The same photograph with the pads and patches found"))


def thumbnail(store: Store, sha256: str, caption: str) -> DocumentPhoto | None:
    """Return a thumbnail, or None where the photograph was purged or cannot be decoded."""
    try:
        photo = PhotoFile(f"photograph {sha256[:12]}", store.photographs.get(sha256)).decode()
        return _captioned(_reduced(eight_bit(photo), _THUMBNAIL_PX), caption)
    except InputError:
        return None


def _reduced(pixels: Pixels, longest: int) -> Jpeg:
    small = reduced(pixels, longest)
    return Jpeg(data=encoded(small), size=(small.shape[1], small.shape[0]))


def _captioned(picture: Jpeg, caption: str) -> DocumentPhoto:
    return DocumentPhoto(data_uri(picture.data), picture.size, caption)
