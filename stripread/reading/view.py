"""The card seen from straight above: one warp of the photograph onto the card's millimetres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout
from stripread.reading.locate import Located
from stripread.reading.photo import Photo

Array = NDArray[np.float64]

#: Finest raster used, pixels a millimetre; more adds time and no information about flat patches.
MAX_PX_PER_MM = 8.0
#: A sampled pixel above or below these counts (of 255) has lost light to the ends of the scale.
BRIGHTEST, DARKEST = 252.0, 3.0
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

    raster: NDArray[np.uint8] | NDArray[np.uint16]
    seen: NDArray[np.uint8]
    px_per_mm: float

    def window(self, x: float, y: float, w: float, h: float) -> tuple[slice, slice]:
        """Rows and columns of a rectangle given in millimetres."""
        s = self.px_per_mm
        rows = slice(max(0, round(y * s)), max(1, round((y + h) * s)))
        return rows, slice(max(0, round(x * s)), max(1, round((x + w) * s)))

    def pixels(self, x: float, y: float, w: float, h: float) -> Array:
        """Pixels (rows, columns, 3) of a rectangle, red, green, blue, in counts of 255."""
        rows, columns = self.window(x, y, w, h)
        scale = 255.0 / (65535.0 if self.raster.dtype == np.uint16 else 255.0)
        return self.raster[rows, columns, ::-1].astype(np.float64) * scale

    def sample(self, x: float, y: float, w: float, h: float) -> Sample:
        """Robust mean of a rectangle given in millimetres."""
        rows, columns = self.window(x, y, w, h)
        return summarise(self.pixels(x, y, w, h), float(self.seen[rows, columns].mean()) / 255.0)


def summarise(pixels: Array, inside: float = 1.0) -> Sample:
    """A Sample of pixels (..., 3): the mean without the pixels farther than 3 robust deviations out."""
    flat = pixels.reshape(-1, 3)
    middle = np.median(flat, axis=0)
    deviation = 1.4826 * np.median(np.abs(flat - middle), axis=0) + 0.5
    kept = flat[(np.abs(flat - middle) <= 3 * deviation).all(axis=1)]
    kept = kept if len(kept) else flat
    return Sample(mean=kept.mean(axis=0), sd=kept.std(axis=0), n=len(kept), inside=inside,
                  burnt=float((flat.max(axis=1) >= BRIGHTEST).mean()))


def view_card(photo: Photo, located: Located, card: CardLayout) -> CardView:
    """Warp the photograph onto the card, no finer than the photograph itself."""
    scale = float(min(MAX_PX_PER_MM, max(2.0, located.px_per_mm)))
    width, height = (round(side * scale) for side in card.size)
    to_mm = np.array([[1 / scale, 0, 0.5 / scale], [0, 1 / scale, 0.5 / scale], [0, 0, 1]])
    matrix = located.homography @ to_mm
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    raster = cv2.warpPerspective(photo.pixels, matrix, (width, height), flags=flags)
    whole = np.full(photo.pixels.shape[:2], 255, np.uint8)
    seen = cv2.warpPerspective(whole, matrix, (width, height), flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    return CardView(raster=raster, seen=seen, px_per_mm=scale)
