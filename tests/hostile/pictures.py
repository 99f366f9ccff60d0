"""Mutated pictures of five formats, each drawn from a seed: the same number is always the same file."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from PIL import ExifTags, Image

from tests import icc_profiles
from tests.photographs import file_of

HEIC: Final = Path(__file__).parents[1] / "data" / "check-standard-p3.heic"
FORMATS: Final = ("JPEG", "PNG", "TIFF", "WebP", "HEIC")
#: As many as the full corpus has.
ALL: Final = 2000
#: Half of all changes meet the first bytes, where headers, directories and profiles lie.
_HEAD: Final = 2048
#: Values at the limits of the fields that formats use.
_LIMITS: Final = (b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\x80\0\0\0", b"\xff\xff\xff\x7f", b"\0\0",
                  b"\xff\xff")

Draw = np.random.Generator


def mutated(number: int) -> tuple[str, bytes]:
    """The name and the bytes of the picture of that number: a sound file of its format, changed one to eight times."""
    draw = np.random.default_rng([number, 14])
    kind = FORMATS[number % len(FORMATS)]
    sources = sound(kind)
    data = bytearray(sources[draw.integers(len(sources))])
    for _ in range(int(draw.integers(1, 9))):
        _CHANGES[draw.integers(len(_CHANGES))](data, draw)
    return f"{number:04}.{kind.lower()}", bytes(data)


#: Ways in which Pillow writes a format.
_OPTIONS: Final[dict[str, tuple[dict[str, Any], ...]]] = {
    "JPEG": ({"quality": 80}, {"quality": 80, "progressive": True}), "WebP": ({"quality": 80}, {"lossless": True}),
    "TIFF": ({}, {"compression": "tiff_lzw"}, {"compression": "tiff_adobe_deflate"})}


@cache
def sound(kind: str) -> tuple[bytes, ...]:
    """Sound files of a format, with EXIF and a colour profile."""
    if kind == "HEIC":
        return (HEIC.read_bytes(),)
    image = Image.fromarray(scene())
    extra = {"exif": _exif(), "icc_profile": icc_profiles.display_p3()}
    if kind == "PNG":
        _, deep = cv2.imencode(".png", scene().astype(np.uint16) * 257)
        return file_of(image, kind, **extra), deep.tobytes()
    return tuple(file_of(image, kind, **option, **extra) for option in _OPTIONS[kind])


def scene() -> np.ndarray[tuple[int, int, int], np.dtype[np.uint8]]:
    """A quarter of a megapixel of gradients, (450, 600, 3)."""
    down, across = np.mgrid[0:450, 0:600]
    return np.stack([down * 255 // 449, across * 255 // 599, (down + across) % 256], axis=-1).astype(np.uint8)


def _exif() -> Image.Exif:
    exif = Image.Exif()
    exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = "invented", "phone-x"
    exif[ExifTags.Base.Orientation] = 6
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = "2031:05:04 09:30:00"
    return exif


def _place(data: bytearray, draw: Draw) -> int:
    end = min(len(data), _HEAD) if draw.random() < 0.5 else len(data)
    return int(draw.integers(max(end, 1)))


def _flip(data: bytearray, draw: Draw) -> None:
    at = _place(data, draw)
    data[at:at + 1] = bytes([int(draw.integers(256))])


def _limit(data: bytearray, draw: Draw) -> None:
    at, value = _place(data, draw), _LIMITS[draw.integers(len(_LIMITS))]
    data[at:at + len(value)] = value


def _remove(data: bytearray, draw: Draw) -> None:
    at = _place(data, draw)
    del data[at:at + int(draw.integers(1, 64))]


def _repeat(data: bytearray, draw: Draw) -> None:
    at, size = _place(data, draw), int(draw.integers(1, 512))
    data[at:at] = data[at:at + size]


def _move(data: bytearray, draw: Draw) -> None:
    at, to, size = _place(data, draw), _place(data, draw), int(draw.integers(4, 256))
    data[to:to + size] = data[at:at + size]


def _noise(data: bytearray, draw: Draw) -> None:
    at = _place(data, draw)
    data[at:at + 32] = draw.bytes(32)


def _cut(data: bytearray, draw: Draw) -> None:
    if draw.random() < 0.2:
        del data[_place(data, draw):]


_CHANGES: Final[tuple[Callable[[bytearray, Draw], None], ...]] = (_flip, _limit, _remove, _repeat, _move, _noise, _cut)
