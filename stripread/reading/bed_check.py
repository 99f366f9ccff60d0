"""Stains on the card's grey bed, where no strip lies: strips are found against it and shadows told by it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.reading.observe import Observed
from stripread.reading.strip_finding import SEARCH_PER_MM, bed_signals, relative

#: Bed this far from its measured colour (share of its signal, in any channel) is stained, unless the photograph is so
#: noisy that so many times the usual difference is more.
STAIN, TIMES_USUAL = 0.15, 6.0
#: Left out at the rim of the bed and around a strip, with its shadow, in millimetres.
_RIM, _AROUND = 1.2, 2.0


def stained_bed_mm2(seen: Observed) -> float:
    """Area of the bed that has another colour than measured, what a strip covers left out."""
    bed = seen.card.bed
    ratio = relative(bed_signals(seen.view, seen.card, seen.light), seen.bed)
    smooth = np.asarray(cv2.blur(ratio, (round(SEARCH_PER_MM), round(SEARCH_PER_MM))))
    off = np.abs(smooth - 1).max(axis=2)
    x = bed.x + (np.arange(ratio.shape[1]) + 0.5) / SEARCH_PER_MM
    y = bed.y + (np.arange(ratio.shape[0]) + 0.5) / SEARCH_PER_MM
    bare = np.outer(np.abs(y - bed.y - bed.h / 2) < bed.h / 2 - _RIM, np.abs(x - bed.x - bed.w / 2) < bed.w / 2 - _RIM)
    bare &= ~_under_strip(seen, np.stack(np.meshgrid(x, y), axis=-1))
    if not bare.any():
        return 0.0
    border = max(STAIN, TIMES_USUAL * float(np.median(off[bare])))
    return float((off[bare] > border).sum()) / SEARCH_PER_MM**2


def _under_strip(seen: Observed, places: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which places (..., 2) in millimetres the strip or its shadow covers."""
    if seen.strip is None:
        return np.zeros(places.shape[:-1], dtype=bool)
    off = places - seen.strip.tip
    along, across = off @ seen.strip.along, off @ np.array([-seen.strip.along[1], seen.strip.along[0]])
    inside = (along > -_AROUND) & (along < seen.kind.length + _AROUND)
    return np.asarray(inside & (np.abs(across) < seen.kind.width / 2 + _AROUND))
