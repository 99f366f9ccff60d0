"""Metadata of a photograph: time of exposure, camera, colour profile, coding; invalid parts are ignored."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import hypot, sqrt
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image
from PIL.JpegImagePlugin import JpegImageFile

from shared.errors import PhotoError
from shared.text import moment_from_text
from stripread.reading.icc import Space, colour_space

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


T = TypeVar("T")
Channels = tuple[float, float, float]
#: Letters of a camera's name that are kept.
_LONGEST_NAME: Final = 200


#: Errors of luma, Cb and Cr of an even area's mean by rounding to whole counts, standard deviations in counts of 255:
#: 0.29 where all pixels are rounded alike, less where their noise averages it, as it does most in luma (measured on
#: coded areas: `test_metadata`). Where nothing is known of the coding, all errors in a JPEG of quality 75 to 85.
WHOLE_COUNTS, UNKNOWN_CODING = (0.17, 0.27, 0.27), (0.3, 0.4, 0.4)
#: Weights of luma, Cb and Cr in red, green and blue (ITU-T T.871).
_FROM_YCC: Final = np.array([[1.0, 0.0, 1.402], [1.0, -0.344136, -0.714136], [1.0, 1.772, 0.0]])


@dataclass(frozen=True, slots=True)
class Metadata:
    """``taken``: local time of exposure, ISO 8601. ``space``: None for sRGB. ``ignored``: what was invalid.

    ``coding_u``: standard deviations by which the file's coding misses luma, Cb and Cr of an even area's mean, in
    counts of 255.
    """

    taken: str | None
    camera: str | None
    space: Space | None
    coding_u: Channels
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
        coding_u=guard.of("quantisation", lambda: _coding_u(header)) or UNKNOWN_CODING,
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


def _coding_u(header: Image.Image) -> Channels:
    # Cameras write no PNG: a file without loss was a JPEG before, of a quality that is not known.
    if not isinstance(header, JpegImageFile) or len(header.layer) != 3:
        return UNKNOWN_CODING
    return jpeg_coding_u([header.quantization[table][0] for *_, table in header.layer])


def jpeg_coding_u(steps: Sequence[int]) -> Channels:
    """Errors of luma, Cb and Cr of an even area's mean by the steps (3,) in which the file codes a block's mean.

    A step is 1/8 of a count (ITU-T T.81, A.3.4), and all blocks of an even area are rounded alike, with a variance of
    1/12 of the step's square.
    """
    luma, cb, cr = (hypot(step / 8 / sqrt(12), whole) for step, whole in zip(steps, WHOLE_COUNTS, strict=True))
    return (luma, cb, cr)


def coding_covariance(coding_u: Channels) -> NDArray[np.float64]:
    """Covariance (3, 3) of red, green and blue of an even area's mean from errors of luma, Cb and Cr.

    An error of chroma moves red or blue against green.
    """
    return np.asarray(_FROM_YCC * np.square(coding_u) @ _FROM_YCC.T)


def _taken(exif: Image.Exif) -> str | None:
    """Exif 2.32, DateTimeOriginal: blanks where the time is unknown; some cameras write zeros."""
    detail = exif.get_ifd(ExifTags.IFD.Exif)
    text = detail.get(ExifTags.Base.DateTimeOriginal) or exif.get(ExifTags.Base.DateTime)
    if not isinstance(text, str) or not text.strip(" :0\0"):
        return None
    moment = moment_from_text(datetime.strptime(text[:19], "%Y:%m:%d %H:%M:%S").isoformat())  # noqa: DTZ007 - local time
    if moment is None:
        raise ValueError("not a date that cameras write")
    return moment.isoformat()


def _camera(exif: Image.Exif) -> str | None:
    words = [str(exif.get(tag, "")) for tag in (ExifTags.Base.Make, ExifTags.Base.Model)]
    name = "".join(c if c.isprintable() else " " for c in " ".join(words)[:_LONGEST_NAME])
    return " ".join(name.split()) or None
