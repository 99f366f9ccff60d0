"""Parts of a photograph as data URIs, re-encoded so that a page contains only pixels of the file."""

from __future__ import annotations

import base64
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.reading.photo import Photo
from stripread.reading.result import Point

Pixels = NDArray[np.uint8]

#: Longer side of the photograph on a page, pixels, and its JPEG quality.
LONGEST_PX, QUALITY = 1400, 80
#: Side of a pad's crop, pixels, and its margin around the pad, as a fraction of the pad's side.
CROP_PX, CROP_RIM = 96, 0.35


@dataclass(frozen=True, slots=True)
class Picture:
    """``uri`` for an img; ``width`` and ``height`` in pixels of the upright original, for drawing over it."""

    uri: str
    width: float
    height: float


def whole(photo: Photo, longest: int = LONGEST_PX) -> Picture:
    """Return the photograph, its longer side reduced to ``longest`` pixels."""
    pixels = eight_bit(photo)
    height, width = pixels.shape[:2]
    return Picture(jpeg(reduced(pixels, longest)), width * photo.shrink, height * photo.shrink)


def reduced(pixels: cv2.typing.MatLike, longest: int) -> cv2.typing.MatLike:
    """Return the image, its longer side reduced to ``longest`` pixels."""
    height, width = pixels.shape[:2]
    scale = min(1.0, longest / max(height, width))
    return cv2.resize(pixels, (round(width * scale), round(height * scale)), interpolation=cv2.INTER_AREA)


def crop(photo: Photo, outline: tuple[Point, Point, Point, Point]) -> str:
    """Return a rectified pad with its margin, as a data URI."""
    return jpeg(from_above(photo, outline))


def from_above(photo: Photo, outline: tuple[Point, Point, Point, Point]) -> cv2.typing.MatLike:
    """Return a rectified pad with its margin, `CROP_PX` square."""
    corners = np.asarray(outline, np.float64) / photo.shrink - 0.5
    wider = corners.mean(axis=0) + (corners - corners.mean(axis=0)) * (1 + 2 * CROP_RIM)
    side = CROP_PX - 1.0
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32)
    matrix = cv2.getPerspectiveTransform(wider.astype(np.float32), square)
    return cv2.warpPerspective(eight_bit(photo), matrix, (CROP_PX, CROP_PX))


def eight_bit(photo: Photo) -> Pixels:
    """Return a copy of the decoded pixels, 8 bit, blue, green, red."""
    if photo.pixels.dtype == np.uint16:
        return (photo.pixels // 257).astype(np.uint8)
    return photo.pixels.astype(np.uint8, copy=True)


def jpeg(pixels: cv2.typing.MatLike) -> str:
    """Return pixels (h, w, 3), 8 bit, blue, green, red, as a data URI."""
    return data_uri(encoded(pixels))


def data_uri(picture: bytes) -> str:
    """Return a JPEG as a data URI."""
    return "data:image/jpeg;base64," + base64.b64encode(picture).decode()


def encoded(pixels: cv2.typing.MatLike) -> bytes:
    """Return pixels (h, w, 3) as a JPEG without metadata."""
    done, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise RuntimeError("JPEG encoding failed")
    return data.tobytes()
