"""Finding the strip on the card's grey bed: its axis, its tip, its direction; and whether the bed is clear.

The bare plastic is much lighter than the bed; its middle line gives the axis, the ends of what differs from the bed
give tip and handle, and the coloured pads give the direction. A second strip, a label or a sheet of paper would cover
pads with white or replace them with pads of another sample. What is darker, such as a finger, is found next to each
pad (`pads`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout
from shared.strip import StripType
from stripread.reading.light import LightField
from stripread.reading.robust import line
from stripread.reading.view import CardView

Array = NDArray[np.float64]
Map = NDArray[np.float32]

#: Raster of the search, pixels a millimetre.
SEARCH_PER_MM = 4.0
#: Plastic is this much lighter than the bed; anything this far from the bed's colour is not bed.
PLASTIC, _DIFFERENT = 1.3, 0.12
#: Left out at the bed's ends, millimetres: blur mixes the paper beyond into them.
RIM_MM = 1.0
#: Shares of the strip's width within which what was found is a strip.
_WIDTH = (0.6, 1.5)
#: Both ends were seen when they lie as far apart as the strip is long, up to this (mm); 0.1 is usual.
_LENGTH_OFF = 1.0
#: Share of the strip that must look as it should for its place to be believed where an end is hidden.
_ALIKE = 0.6
#: A direction is believed when the pads' places are this many times more coloured than the other end's.
_MORE_COLOURED, _COLOURED = 2.5, 0.06


@dataclass(frozen=True, slots=True)
class FoundStrip:
    """``tip`` (2,) and the unit vector ``along`` (2,) towards the handle, in the card's millimetres.

    ``reversed_``: the tip points to the right. ``by_hand``: a person placed its pads.
    """

    tip: Array
    along: Array
    reversed_: bool
    by_hand: bool = False

    def place(self, along_mm: float, across_mm: float = 0.0) -> Array:
        """The point (2,) at a distance from the tip and off the axis, in the card's millimetres."""
        return self.places(np.array([along_mm, across_mm]))

    def places(self, mm: Array) -> Array:
        """The same (..., 2) for several distances from the tip and off the axis (..., 2)."""
        along, across = self.along, np.array([-self.along[1], self.along[0]])
        return np.asarray(self.tip + mm[..., :1] * along + mm[..., 1:] * across)


def relative(signals: Map, bed: Array) -> Map:
    """Signals (rows, columns, 3) as shares of those of bare bed (3,)."""
    return np.asarray(signals / bed, dtype=np.float32)


def bed_signals(view: CardView, card: CardLayout, light: LightField) -> Map:
    """Signals of the bed's rectangle, (rows, columns, 3) at 4 px/mm."""
    size = (round(card.bed.w * SEARCH_PER_MM), round(card.bed.h * SEARCH_PER_MM))
    x, y = (start + (np.arange(n, dtype=np.float64) + 0.5) / SEARCH_PER_MM
            for start, n in zip((card.bed.x, card.bed.y), size, strict=True))
    places = np.stack(np.meshgrid(x, y), axis=-1)
    # Smoothed to the search's own scale: single noisy pixels are not an edge.
    counts = np.asarray(cv2.blur(view.counts(places), (2, 2)), dtype=np.float64)
    return light.signal_on_raster(counts, x, y).astype(np.float32)


def _white(ratio: Map) -> NDArray[np.bool_]:
    """Where (rows, columns) the bed shows plastic: no channel is darker."""
    return (ratio[..., 0] > PLASTIC) & (ratio[..., 1] > PLASTIC) & (ratio[..., 2] > PLASTIC)


def bare_bed(signals: Map) -> Array:
    """The signal (3,) that most of the bed's rectangle has: a strip covers the lesser part of it."""
    pixels = signals.reshape(-1, 3).astype(np.float64)
    middle = np.median(pixels, axis=0)
    alike = (np.abs(pixels / middle - 1) < _DIFFERENT).all(axis=1)
    return np.asarray(np.median(pixels[alike], axis=0) if alike.any() else middle)


def find_strip(ratio: Map, card: CardLayout, strip: StripType) -> FoundStrip | None:
    """The strip in ``ratio`` (rows, columns, 3), the bed's signals relative to bare bed; None if there is none."""
    axis = _axis(ratio, strip)
    if axis is None:
        return None
    origin, along = axis
    ends = _ends(ratio, origin, along, strip)
    if ends is None:
        return None
    left, right = ends
    corner = np.array([card.bed.x, card.bed.y])
    forward = FoundStrip(corner + origin + left * along, along, False)
    backward = FoundStrip(corner + origin + right * along, -along, True)
    colours = [_pad_colour(ratio, f, card, strip) for f in (forward, backward)]
    turned = colours[1] > _MORE_COLOURED * colours[0] and colours[1] > _COLOURED
    return backward if turned else forward


def _axis(ratio: Map, strip: StripType) -> tuple[Array, Array] | None:
    """A point and unit vector of the strip's middle line, millimetres from the bed's corner."""
    white = _white(ratio).astype(np.float64)
    width = white.sum(axis=0) / SEARCH_PER_MM
    good = (width > _WIDTH[0] * strip.width) & (width < _WIDTH[1] * strip.width)
    if good.sum() / SEARCH_PER_MM < 0.15 * strip.length:
        return None
    y = (np.arange(len(ratio)) + 0.5) / SEARCH_PER_MM
    middle = (white * y[:, None]).sum(axis=0)[good] / white.sum(axis=0)[good]
    x = ((np.arange(ratio.shape[1]) + 0.5) / SEARCH_PER_MM)[good]
    points = np.column_stack([x, middle]).astype(np.float32)
    px, py, vx, vy = line(points)
    along = np.array([vx, vy]) * np.sign(vx or 1.0)
    return np.array([px, py]) - along * px / max(along[0], 0.5), along


def _along_axis(ratio: Map, origin: Array, along: Array, across: Array) -> tuple[Array, Array]:
    """Mean signals (n, 3) along the axis at distances (n,) from ``origin``, over offsets ``across``."""
    reach = ratio.shape[1] / SEARCH_PER_MM / max(along[0], 0.5)
    distance = np.arange(0.0, reach, 1 / SEARCH_PER_MM)
    normal = np.array([-along[1], along[0]])
    points = origin + distance[:, None, None] * along + across[None, :, None] * normal
    pixel = (points * SEARCH_PER_MM - 0.5).astype(np.float32)
    sampled = cv2.remap(ratio, pixel[..., 0], pixel[..., 1], cv2.INTER_LINEAR,
                        borderMode=cv2.BORDER_REPLICATE)
    return distance, np.asarray(sampled.mean(axis=1), dtype=np.float64)


def _ends(ratio: Map, origin: Array, along: Array, strip: StripType) -> tuple[float, float] | None:
    """Distances along the axis of the strip's left and right ends."""
    half = 0.3 * strip.width
    distance, profile = _along_axis(ratio, origin, along, np.linspace(-half, half, 7))
    differs = np.abs(profile - 1).max(axis=1) > _DIFFERENT
    differs[distance < RIM_MM] = False
    differs[distance > distance[-1] - RIM_MM] = False
    hits = np.flatnonzero(differs)
    if len(hits) < 3:
        return None
    first, last = hits[0], hits[-1]
    left = _edge(distance, profile, first, -1)
    right = _edge(distance, profile, last, 1)
    if abs(right - left - strip.length) > _LENGTH_OFF:
        return _fitted_ends(profile, differs, strip, (left, right))
    middle = (left + right) / 2
    return middle - strip.length / 2, middle + strip.length / 2


def _edge(distance: Array, profile: Array, index: int, side: int) -> float:
    """Where the profile crosses half-way from bed to strip, between grid points."""
    inner = int(np.clip(index - 6 * side, 0, len(profile) - 1))
    height = profile[inner].mean() - 1
    at = index + 2 * side
    for _ in range(8):
        at = int(np.clip(at, 1, len(profile) - 2))
        if abs(profile[at].mean() - 1) >= abs(height) / 2:
            break
        at -= side
    outer = int(np.clip(at + side, 0, len(profile) - 1))
    a, b = abs(profile[at].mean() - 1), abs(profile[outer].mean() - 1)
    share = (a - abs(height) / 2) / (a - b) if a > b else 0.5
    return float(distance[at] + np.clip(share, 0, 1) * side / SEARCH_PER_MM)


def _fitted_ends(profile: Array, differs: NDArray[np.bool_], strip: StripType, seen: tuple[float, float],
                 ) -> tuple[float, float] | None:
    """The place at which bare plastic and pads lie as the strip type says, where something hides an end.

    Of the ends ``seen`` the one that agrees, if any does, gives the place exactly.
    """
    bare = _bare(strip)
    plastic = profile.min(axis=1) > PLASTIC
    if len(plastic) <= len(bare):
        return None
    score = np.max([_alike(plastic, differs & ~plastic, b) for b in (bare, bare[::-1])], axis=0)
    if score.max() < _ALIKE * len(bare):
        return None
    fitted = float(np.flatnonzero(score == score.max()).mean()) / SEARCH_PER_MM
    left = min((seen[0], seen[1] - strip.length), key=lambda end: abs(end - fitted))
    left = left if abs(left - fitted) < _LENGTH_OFF else fitted
    return left, left + strip.length


def _bare(strip: StripType) -> NDArray[np.bool_]:
    """Where along the strip, from its tip, there is no pad."""
    along = (np.arange(round(strip.length * SEARCH_PER_MM)) + 0.5) / SEARCH_PER_MM
    return np.asarray(np.all([np.abs(along - pad.centre) > strip.pad_size[0] / 2 for pad in strip.pads], axis=0))


def _alike(plastic: NDArray[np.bool_], coloured: NDArray[np.bool_], bare: NDArray[np.bool_]) -> Array:
    """Samples that agree less those of plastic beyond the strip, for each place it could begin."""
    pairs = ((plastic, np.ones_like(bare)), (plastic, bare), (coloured, ~bare))
    inside, on_bare, on_pads = (np.correlate(a.astype(np.float64), b.astype(np.float64), "valid") for a, b in pairs)
    return np.asarray(on_bare + on_pads - (plastic.sum() - inside))


def _at(ratio: Map, position: FoundStrip, card: CardLayout, along_mm: Sequence[float], half: tuple[float, float]
        ) -> Array:
    """Median signals (n, 3) of small rectangles on the strip, ``along_mm`` (n,) from its tip."""
    a, b = np.linspace(-half[0], half[0], 7), np.linspace(-half[1], half[1], 7)
    around = np.stack(np.meshgrid(a, b, indexing="ij"), axis=-1).reshape(-1, 2)
    on_strip = np.column_stack([along_mm, np.zeros(len(along_mm))])[:, None] + around
    grid = position.places(on_strip) - (card.bed.x, card.bed.y)
    pixel = (grid.reshape(1, -1, 2) * SEARCH_PER_MM - 0.5).astype(np.float32)
    sampled = cv2.remap(ratio, pixel[..., 0], pixel[..., 1], cv2.INTER_LINEAR,
                        borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(np.median(sampled.reshape(len(along_mm), -1, 3), axis=1), dtype=np.float64)


def _plastic(ratio: Map, position: FoundStrip, card: CardLayout, strip: StripType) -> Array:
    half = (strip.blank.size[0] * 0.3, strip.blank.size[1] * 0.3)
    (blank,) = _at(ratio, position, card, [strip.blank.centre], half)
    return np.asarray(blank)


def _pad_colour(ratio: Map, position: FoundStrip, card: CardLayout, strip: StripType) -> float:
    """How far the pads' places differ from the bare plastic, median over the pads."""
    plastic = np.maximum(_plastic(ratio, position, card, strip), 0.1)
    half = (strip.pad_size[0] * 0.25, strip.pad_size[1] * 0.25)
    pads = _at(ratio, position, card, [pad.centre for pad in strip.pads], half)
    return float(np.median(np.abs(pads / plastic - 1).max(axis=1)))


#: Plastic wider than the strip by this factor over this length (mm) is not one strip. One strip alone is never seen
#: wider than 1.2 times over a millimetre, not even blurred; two that cross at 3 degrees are so over 50 mm.
_WIDER: Final = ((1.2, 9.0), (1.5, 3.0))
#: Plastic on the strip's axis this far (mm) beyond its ends, and this much of it (mm), belongs to something else.
_BEYOND_MM, _MUCH_MM = 0.8, 1.0


def is_clear(ratio: Map, card: CardLayout, strip: StripType, position: FoundStrip | None) -> bool:
    """Return whether nothing white but one strip lies on the bed; ``ratio`` as for `find_strip`.

    Where a person placed the strip, that person decided what is measured.
    """
    if position is not None and position.by_hand:
        return True
    rim = round(RIM_MM * SEARCH_PER_MM)
    white = _white(ratio[rim:-rim, rim:-rim])
    wide = white.sum(axis=0) / SEARCH_PER_MM / strip.width
    if any((wide > factor).sum() / SEARCH_PER_MM > length for factor, length in _WIDER):
        return False
    return position is None or _plastic_beyond(ratio, card, strip, position) <= _MUCH_MM


def _plastic_beyond(ratio: Map, card: CardLayout, strip: StripType, position: FoundStrip) -> float:
    """Return the millimetres of plastic on the strip's axis beyond its ends."""
    distance = np.arange(-card.bed.w, card.bed.w + strip.length, 1 / SEARCH_PER_MM)
    distance = distance[(distance < -_BEYOND_MM) | (distance > strip.length + _BEYOND_MM)]
    points = position.tip + distance[:, None] * position.along - (card.bed.x, card.bed.y)
    inside = ((points > RIM_MM) & (points < np.array([card.bed.w, card.bed.h]) - RIM_MM)).all(axis=1)
    pixel = (points[inside] * SEARCH_PER_MM - 0.5).astype(np.float32)[None]
    if not pixel.size:
        return 0.0
    sampled = cv2.remap(ratio, pixel[..., 0], pixel[..., 1], cv2.INTER_LINEAR)
    return float(_white(np.asarray(sampled, np.float32)).sum() / SEARCH_PER_MM)
