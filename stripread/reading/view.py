"""The card seen from straight above: pixels of the photograph looked up by the card's millimetres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.reading.locate import CardLocation
from stripread.reading.photo import Photo
from stripread.reading.robust import median

Array = NDArray[np.float64]
Counts = NDArray[np.float32]

#: Finest sampling, points a millimetre; more adds time and no information about flat patches.
MAX_PER_MM = 5.0
#: A sampled pixel at or above this count (of 255) has lost light to the top of the scale.
BRIGHTEST = 252.0
#: A channel whose mean is closer to an end of the scale than this (counts) is clipped in part, its mean no longer
#: linear in light; the same applies within this number of standard deviations of its pixels (the mean of a
#: normal distribution cut 1.5 deviations out moves by 0.03 of one).
END_COUNTS, END_SD = 6.0, 1.5


@dataclass(frozen=True, slots=True)
class PixelSample:
    """The pixels of one rectangle: ``mean`` and ``sd`` (3,) in counts of 255 (red, green, blue), ``n`` pixels.

    ``inside``: share of the rectangle within the photograph. ``burnt``: share of pixels with a channel at
    the top of the scale.
    """

    mean: Array
    sd: Array
    n: int
    inside: float
    burnt: float

    @property
    def burnt_channels(self) -> NDArray[np.bool_]:
        """Channels (3,) clipped at the top of the scale."""
        return self.mean > 255.0 - _near_end(self.sd)


def clear_of_ends(mean: Array, sd: Array) -> NDArray[np.bool_]:
    """Which channels (..., 3) of samples lie clear of both ends of the scale."""
    near = _near_end(sd)
    return (mean > near) & (mean <= 255.0 - near)


def _near_end(sd: Array) -> Array:
    """Counts (..., 3) from an end of the scale within which a channel is clipped in part."""
    return np.maximum(END_COUNTS, END_SD * sd)


@dataclass(frozen=True, slots=True)
class CardView:
    """A photograph with its card located, sampled at ``per_mm`` points a millimetre."""

    photo: Photo
    located: CardLocation
    per_mm: float

    def counts(self, mm: Array) -> Counts:
        """Red, green, blue (..., 3) of sRGB in counts of 255 at places (..., 2) in millimetres."""
        return self._counts(self.located.to_px(mm))

    def _counts(self, places_px: Array) -> Counts:
        px = places_px.reshape(1, -1, 2).astype(np.float32)
        values = cv2.remap(self.photo.pixels, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        scale = np.float32(255.0 / self.photo.full_scale)
        counts = values[0, :, ::-1].astype(np.float32) * scale
        space = self.photo.space
        return (space.srgb_counts(counts) if space else counts).reshape(*places_px.shape[:-1], 3)

    def samples(self, grids: Array) -> list[PixelSample]:
        """Robust means over the places of each grid (n, k, 2) in millimetres."""
        px = self.located.grids_to_px(grids)
        height, width = self.photo.pixels.shape[:2]
        x, y = px[..., 0], px[..., 1]
        inside = (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)
        return summarise(self._counts(px), inside.mean(axis=1))

    def grid(self, half: tuple[float, float]) -> Array:
        """Places (k, 2) in millimetres about the origin that fill a rectangle of the given half sides."""
        a, b = (np.linspace(-h, h, max(2, round(2 * h * self.per_mm) + 1)) for h in half)
        return np.stack(np.meshgrid(a, b), axis=-1).reshape(-1, 2)


def summarise(pixels: Counts, inside: Array) -> list[PixelSample]:
    """Samples of pixels (n, k, 3): means without the pixels farther than 3 robust deviations out."""
    # One channel after the other: NumPy is slow along an axis that is not the last. Counts about their median are few
    # and small, so that their sums are exact in any order.
    planes = np.ascontiguousarray(pixels.transpose(0, 2, 1))
    middle = median(planes)
    off = planes - middle
    size = np.abs(off)
    deviation = 1.4826 * median(size) + 0.5
    inliers = (size <= 3 * deviation).all(axis=1)
    n = np.maximum(np.count_nonzero(inliers, axis=1), 1)
    off *= inliers[:, None]
    shift = np.einsum("nck->nc", off).astype(np.float64) / n[:, None]
    square = np.einsum("nck,nck->nc", off, off).astype(np.float64) / n[:, None]
    mean, sd = middle[..., 0] + shift, np.sqrt(np.maximum(square - shift**2, 0.0))
    burnt = (planes >= BRIGHTEST).any(axis=1).mean(axis=1)
    return [PixelSample(mean=m, sd=s, n=int(k), inside=float(i), burnt=float(b))
            for m, s, k, i, b in zip(mean, sd, n, inside, burnt, strict=True)]


def view_card(photo: Photo, located: CardLocation) -> CardView:
    """The card of a photograph, sampled no finer than the photograph itself."""
    return CardView(photo=photo, located=located, per_mm=float(min(MAX_PER_MM, located.px_per_mm)))
