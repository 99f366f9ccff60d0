"""Whether something other than one strip lies on the card's bed, as far as it is as light as a strip's plastic.

A second strip, a label or a sheet of paper would cover pads with white or replace them with pads of another sample.
What is darker, such as a finger, is found next to each pad (`pads`).
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout
from shared.strip import StripType
from stripread.reading.strip_finding import PLASTIC, RIM_MM, SEARCH_PER_MM, FoundStrip, Map

Array = NDArray[np.float64]

#: Plastic wider than the strip by this factor over this length (mm) is not one strip. One strip alone is never seen
#: wider than 1.2 times over a millimetre, not even blurred; two that cross at 3 degrees are so over 50 mm.
_WIDER: Final = ((1.2, 9.0), (1.5, 3.0))
#: Plastic on the strip's axis this far (mm) beyond its ends, and this much of it (mm), belongs to something else.
_BEYOND_MM, _MUCH_MM = 0.8, 1.0


def is_clear(ratio: Map, card: CardLayout, strip: StripType, found: FoundStrip | None) -> bool:
    """Return whether nothing white but one strip lies on the bed; ``ratio`` as for `find_strip`.

    Where a person placed the strip, that person decided what is measured.
    """
    if found is not None and found.by_hand:
        return True
    rim = round(RIM_MM * SEARCH_PER_MM)
    white = ratio.min(axis=2)[rim:-rim, rim:-rim] > PLASTIC
    wide = white.sum(axis=0) / SEARCH_PER_MM / strip.width
    if any((wide > factor).sum() / SEARCH_PER_MM > length for factor, length in _WIDER):
        return False
    return found is None or _plastic_beyond(ratio, card, strip, found) <= _MUCH_MM


def _plastic_beyond(ratio: Map, card: CardLayout, strip: StripType, found: FoundStrip) -> float:
    """Return the millimetres of plastic on the strip's axis beyond its ends."""
    distance = np.arange(-card.bed.w, card.bed.w + strip.length, 1 / SEARCH_PER_MM)
    distance = distance[(distance < -_BEYOND_MM) | (distance > strip.length + _BEYOND_MM)]
    points = found.tip + distance[:, None] * found.along - (card.bed.x, card.bed.y)
    inside = ((points > RIM_MM) & (points < np.array([card.bed.w, card.bed.h]) - RIM_MM)).all(axis=1)
    pixel = (points[inside] * SEARCH_PER_MM - 0.5).astype(np.float32)[None]
    if not pixel.size:
        return 0.0
    sampled = cv2.remap(ratio, pixel[..., 0], pixel[..., 1], cv2.INTER_LINEAR)
    return float((sampled.min(axis=2) > PLASTIC).sum() / SEARCH_PER_MM)
