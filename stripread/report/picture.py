"""Parts of a photograph as data URIs with only pixels of the file, and the photograph turned and cropped on a page."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.reading.photo import Photo
from stripread.reading.result import Point, Reading

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


#: What is shown: the whole photograph, the card, or the strip's pads.
Crop = Literal["full", "card", "strip"]
#: Margin around what is shown, as a fraction of its longer side.
_MARGINS: Final[dict[Crop, float]] = {"full": 0.0, "card": 0.03, "strip": 0.12}
#: Letters next to the pads, as a fraction of the distance between two pads.
_LETTER: Final = 0.45


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoView:
    """``turn``: degrees about ``centre``. View ``box`` and overlay (``path``, ``labels``) are those after the turn."""

    href: str
    size: tuple[float, float]
    turn: float
    centre: Point
    box: tuple[float, float, float, float]
    path: str
    labels: tuple[tuple[str, Point], ...]
    letter: float


def photo_view(reading: Reading, href: str, size: tuple[float, float], crop: Crop = "card") -> PhotoView:
    """Return the view of a reading's photograph; without a located card it is the whole photograph, not turned."""
    quads = ([reading.card.corners_px] if reading.card else []) + [p.outline_px for p in reading.pads]
    if reading.card is None or (crop == "strip" and not reading.pads):
        crop = "full"
    angle = 0.0 if crop == "full" or reading.card is None else _angle(reading.card.corners_px)
    centre = _mean(reading.card.corners_px) if reading.card else (size[0] / 2, size[1] / 2)
    turned = [[_turned(p, centre, angle) for p in quad] for quad in quads]
    pads = [_turned(p.px, centre, angle) for p in reading.pads]
    spacing = math.dist(pads[0], pads[-1]) / (len(pads) - 1) if len(pads) > 1 else size[0] / 40
    return PhotoView(
        href=href, size=size, turn=round(angle, 2), centre=centre, box=_box(crop, turned, size),
        letter=spacing * _LETTER,
        path="".join(f"M{'L'.join(f'{x:.0f} {y:.0f}' for x, y in quad)}z" for quad in turned),
        labels=tuple((str(n), (x, y - spacing * 0.75)) for n, (x, y) in enumerate(pads, 1)))


def _box(crop: Crop, quads: list[list[Point]], size: tuple[float, float]) -> tuple[float, float, float, float]:
    if crop == "full":
        return 0.0, 0.0, size[0], size[1]
    shown = [p for quad in (quads[:1] if crop == "card" else quads[1:]) for p in quad]
    xs, ys = [x for x, _ in shown], [y for _, y in shown]
    width, height = max(xs) - min(xs), max(ys) - min(ys)
    margin = _MARGINS[crop] * max(width, height)
    # Above the pads are their numbers.
    above = margin + (height if crop == "strip" else 0.0)
    return min(xs) - margin, min(ys) - above, width + 2 * margin, height + margin + above


def _angle(corners: tuple[Point, Point, Point, Point]) -> float:
    """Return the turn that makes the card's upper edge horizontal, degrees."""
    (x0, y0), (x1, y1) = corners[:2]
    return -math.degrees(math.atan2(y1 - y0, x1 - x0))


def _turned(point: Point, centre: Point, degrees: float) -> Point:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    x, y = point[0] - centre[0], point[1] - centre[1]
    return x * c - y * s + centre[0], x * s + y * c + centre[1]


def _mean(points: Iterable[Point]) -> Point:
    given = list(points)
    return sum(x for x, _ in given) / len(given), sum(y for _, y in given) / len(given)
