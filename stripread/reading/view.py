"""The card seen from straight above: one warp of the photograph onto the card's millimetres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout
from stripread.reading.locate import Located, project
from stripread.reading.photo import Photo, Pixels, exact

Array = NDArray[np.float64]

#: Finest raster used, pixels a millimetre; more adds time and no information about flat patches.
MAX_PX_PER_MM = 6.0
#: A sampled pixel at or above this count (of 255) has lost light to the top of the scale.
BRIGHTEST = 252.0
#: A channel whose mean lies beyond these counts is clipped in part, its mean no longer linear in light.
MEAN_BRIGHTEST, MEAN_DARKEST = 249.0, 6.0


@dataclass(frozen=True, slots=True)
class Sample:
    """The pixels of one rectangle: ``mean`` and ``sd`` (3,) in counts of 255 (red, green, blue), ``n`` pixels.

    ``inside``: share of the rectangle within the photograph. ``burnt``: share of pixels with a channel at
    the top of the scale.
    """

    mean: Array
    sd: Array
    n: int
    inside: float
    burnt: float


@dataclass(frozen=True, slots=True)
class CardView:
    """``raster`` (h, w, 3) blue, green, red at ``px_per_mm``; ``seen`` (h, w): which of it lies in the photograph."""

    raster: Pixels
    seen: NDArray[np.uint8]
    px_per_mm: float

    def window(self, x: float, y: float, w: float, h: float) -> tuple[slice, slice]:
        """Rows and columns of a rectangle given in millimetres."""
        s = self.px_per_mm
        rows = slice(max(0, round(y * s)), max(1, round((y + h) * s)))
        return rows, slice(max(0, round(x * s)), max(1, round((x + w) * s)))

    def samples(self, boxes: Array) -> list[Sample]:
        """Robust means of rectangles (n, 4), left, top, width, height in millimetres, all of one size."""
        s = self.px_per_mm
        w, h = (max(1, round(float(side) * s)) for side in boxes[0, 2:])
        left, top = (np.clip(np.round(boxes[:, k] * s).astype(int), 0, limit - size)
                     for k, (limit, size) in enumerate(((self.raster.shape[1], w), (self.raster.shape[0], h))))
        rows = top[:, None, None] + np.arange(h)[:, None]
        columns = left[:, None, None] + np.arange(w)
        pixels = counts(self.raster[rows, columns].reshape(len(boxes), -1, 3))
        return summarise(pixels, self.seen[rows, columns].mean(axis=(1, 2)) / 255.0)


def counts(raster: NDArray[np.generic]) -> NDArray[np.float32]:
    """Red, green, blue in counts of 255 of raster values (..., 3) in blue, green, red, 8 or 16 bit."""
    flipped = raster[..., ::-1].astype(np.float32)
    return flipped * np.float32(255.0 / 65535.0) if raster.dtype == np.uint16 else flipped


def summarise(pixels: NDArray[np.float32], inside: Array) -> list[Sample]:
    """Samples of pixels (n, k, 3): means without the pixels farther than 3 robust deviations out."""
    middle = np.median(pixels, axis=1, keepdims=True)
    off = np.abs(pixels - middle)
    deviation = 1.4826 * np.median(off, axis=1, keepdims=True) + 0.5
    kept = (off <= 3 * deviation).all(axis=2, keepdims=True)
    n = np.maximum(kept.sum(axis=1), 1)
    mean = (pixels * kept).sum(axis=1) / n
    sd = np.sqrt((((pixels - mean[:, None]) * kept) ** 2).sum(axis=1) / n)
    burnt = (pixels.max(axis=2) >= BRIGHTEST).mean(axis=1)
    return [Sample(mean=m, sd=s, n=int(k[0]), inside=float(i), burnt=float(b))
            for m, s, k, i, b in zip(mean, sd, n, inside, burnt, strict=True)]


def view_card(photo: Photo, located: Located, card: CardLayout) -> CardView:
    """Warp the photograph onto the card, no finer than the photograph itself."""
    scale = float(min(MAX_PX_PER_MM, max(2.0, located.px_per_mm)))
    width, height = (round(side * scale) for side in card.size)
    to_mm = np.array([[1 / scale, 0, 0.5 / scale], [0, 1 / scale, 0.5 / scale], [0, 0, 1]])
    matrix = located.homography @ to_mm
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    raster = cv2.warpPerspective(photo.pixels, matrix, (width, height), flags=flags)
    return CardView(raster=exact(raster), seen=_seen(photo, matrix, width, height), px_per_mm=scale)


def _seen(photo: Photo, matrix: Array, width: int, height: int) -> NDArray[np.uint8]:
    """Which of the raster lies in the photograph, 255 or 0."""
    rim = project(matrix, np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]))
    limits = np.array(photo.pixels.shape[1::-1]) - 1
    if bool(((rim >= 0) & (rim <= limits)).all()):
        return np.full((height, width), 255, np.uint8)
    whole = np.full(photo.pixels.shape[:2], 255, np.uint8)
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(whole, matrix, (width, height), flags=flags), dtype=np.uint8)
