"""Parts of a photograph as data URIs: re-encoded, so that of the file only its pixels go into a page."""

from __future__ import annotations

import base64
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.reading.photo import Photo
from stripread.reading.result import Point

Pixels = NDArray[np.uint8]

#: The photograph on the page is no wider or higher than this, and its JPEG quality.
LONGEST_PX, QUALITY = 1400, 80
#: Side of a pad's crop, and how much of the pad's surroundings it shows, as a share of the pad's side.
CROP_PX, CROP_RIM = 96, 0.35


@dataclass(frozen=True, slots=True)
class Picture:
    """``uri`` for an img; ``width`` and ``height`` in pixels of the upright original, for drawing over it."""

    uri: str
    width: float
    height: float


def whole(photo: Photo, longest: int = LONGEST_PX) -> Picture:
    """The photograph, its longer side brought down to ``longest`` pixels."""
    pixels = eight_bit(photo)
    height, width = pixels.shape[:2]
    return Picture(jpeg(reduced(pixels, longest)), width * photo.shrink, height * photo.shrink)


def reduced(pixels: cv2.typing.MatLike, longest: int) -> cv2.typing.MatLike:
    """The picture, neither side of it longer than that many pixels."""
    height, width = pixels.shape[:2]
    scale = min(1.0, longest / max(height, width))
    return cv2.resize(pixels, (round(width * scale), round(height * scale)), interpolation=cv2.INTER_AREA)


def crop(photo: Photo, outline: tuple[Point, Point, Point, Point]) -> str:
    """A pad and its rim, seen straight from above, as a data URI."""
    return jpeg(from_above(photo, outline))


def from_above(photo: Photo, outline: tuple[Point, Point, Point, Point]) -> cv2.typing.MatLike:
    """A pad and its rim, seen straight from above, `CROP_PX` square."""
    corners = np.asarray(outline, np.float64) / photo.shrink - 0.5
    wider = corners.mean(axis=0) + (corners - corners.mean(axis=0)) * (1 + 2 * CROP_RIM)
    side = CROP_PX - 1.0
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32)
    matrix = cv2.getPerspectiveTransform(wider.astype(np.float32), square)
    return cv2.warpPerspective(eight_bit(photo), matrix, (CROP_PX, CROP_PX))


def eight_bit(photo: Photo) -> Pixels:
    """A copy of the decoded pixels, 8 bit, blue, green, red."""
    if photo.pixels.dtype == np.uint16:
        return (photo.pixels // 257).astype(np.uint8)
    return photo.pixels.astype(np.uint8, copy=True)


def jpeg(pixels: cv2.typing.MatLike) -> str:
    """Pixels (h, w, 3), 8 bit, blue, green, red, as a data URI."""
    return data_uri(encoded(pixels))


def data_uri(picture: bytes) -> str:
    """The bytes of a JPEG as a data URI."""
    return "data:image/jpeg;base64," + base64.b64encode(picture).decode()


def encoded(pixels: cv2.typing.MatLike) -> bytes:
    """The same as the bytes of a JPEG, which say nothing but the pixels."""
    done, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise RuntimeError("JPEG encoding failed")
    return data.tobytes()
