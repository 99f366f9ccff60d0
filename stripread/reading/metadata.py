"""Metadata of a photograph: time of exposure, camera, colour profile; invalid parts are ignored."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, TypeVar

from PIL import ExifTags, Image

from shared.errors import PhotoError
from shared.text import moment_from_text
from stripread.reading.icc import Space, colour_space

T = TypeVar("T")
#: Letters of a camera's name that are kept.
_LONGEST_NAME: Final = 200


@dataclass(frozen=True, slots=True)
class Metadata:
    """``taken``: local time of exposure, ISO 8601. ``space``: None for sRGB. ``ignored``: what was invalid."""

    taken: str | None
    camera: str | None
    space: Space | None
    ignored: tuple[str, ...]


def metadata_of(header: Image.Image, exif_block: bytes | None, where: str) -> Metadata:
    """The metadata of an opened file; ``exif_block``: EXIF found elsewhere than Pillow looks for it.

    Raises PhotoError for a colour profile that is sound and cannot be applied.
    """
    guard = _Guard()
    exif = guard.of("EXIF", lambda: _exif(header, exif_block)) or Image.Exif()
    profile = header.info.get("icc_profile")
    return Metadata(
        taken=guard.of("time of exposure", lambda: _taken(exif)),
        camera=guard.of("camera", lambda: _camera(exif)),
        space=guard.of("colour profile", lambda: colour_space(profile, where)) if profile else None,
        ignored=tuple(guard.ignored))


@dataclass(slots=True)
class _Guard:
    """The one place that catches what libraries raise on metadata of any content, and notes it."""

    ignored: list[str] = field(default_factory=list)

    def of(self, what: str, parse: Callable[[], T]) -> T | None:
        try:
            return parse()
        except PhotoError:
            raise
        except Exception:  # noqa: BLE001 - Pillow raises many kinds on EXIF of others' making, MemoryError among them
            self.ignored.append(what)
            return None


def _exif(header: Image.Image, block: bytes | None) -> Image.Exif:
    if block is None and header.format != "PNG":
        return header.getexif()
    # Pillow would decode a whole PNG to look for EXIF after its pixels.
    exif = Image.Exif()
    if block:
        exif.load(block)
    return exif


def _taken(exif: Image.Exif) -> str | None:
    """Exif 2.32, DateTimeOriginal: blanks where the time is unknown; some cameras write zeros."""
    detail = exif.get_ifd(ExifTags.IFD.Exif)
    text = detail.get(ExifTags.Base.DateTimeOriginal) or exif.get(ExifTags.Base.DateTime)
    if not isinstance(text, str) or not text.strip(" :0\0"):
        return None
    moment = moment_from_text(datetime.strptime(text[:19], "%Y:%m:%d %H:%M:%S").isoformat())  # noqa: DTZ007 - local time
    if moment is None:
        raise ValueError("outside the calendar of cameras")
    return moment.isoformat()


def _camera(exif: Image.Exif) -> str | None:
    words = [str(exif.get(tag, "")) for tag in (ExifTags.Base.Make, ExifTags.Base.Model)]
    name = "".join(c if c.isprintable() else " " for c in " ".join(words)[:_LONGEST_NAME])
    return " ".join(name.split()) or None
