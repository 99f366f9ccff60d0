"""The printed bar of a card, measured in a photograph on the scale that markers and patches give.

A bar of another length than the layout has is a card that is bent there, was printed from another file, or was
distorted. A print that came out larger or smaller as a whole has a bar of the right length on this scale: only a ruler
shows it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from stripread.reading.observe import Observation

Array = NDArray[np.float64]

#: Largest deviation of the bar from its length, as a share (common practice, no source).
BAR_OFF: Final = 0.01
#: Steps along the bar, mm; places across it, mm, within which its middle lies.
_STEP: Final = 0.05
_ACROSS: Final = np.arange(-0.6, 0.61, 0.1)
#: How far beyond the bar's end paper is looked for, and how far within it ink, mm.
_OUTSIDE, _INSIDE = 3.0, 12.0
#: Least contrast of ink and paper, as a share of the paper.
_CONTRAST: Final = 0.25


def bar_length(seen: Observation) -> float | None:
    """Return the length of the bar in mm; None where one of its ends cannot be seen."""
    bar = seen.card.scale_bar
    left = _end(seen, np.array([bar.x, bar.y]), -1)
    right = _end(seen, np.array([bar.x + bar.length, bar.y]), +1)
    return None if left is None or right is None else round(bar.length + left + right, 2)


def bar_is_off(measured: float, length: float) -> bool:
    """Return whether a measured bar differs from its length by more than is allowed."""
    return abs(measured / length - 1) > BAR_OFF


def _end(seen: Observation, end: Array, outwards: int) -> float | None:
    """Return how far beyond its place (mm) the bar ends: where its tone crosses the middle of ink and paper."""
    along = np.arange(-_INSIDE, _OUTSIDE, _STEP)
    places = np.stack(np.broadcast_arrays(end[0] + outwards * along[:, None], end[1] + _ACROSS), axis=-1)
    tone = seen.view.counts(places).mean(axis=-1).min(axis=1)
    ink, paper = float(np.median(tone[along < -_INSIDE / 2])), float(np.quantile(tone[along > 0], 0.9))
    if paper - ink < _CONTRAST * paper:
        return None
    light = tone > (ink + paper) / 2
    if not light.any():
        return None
    return float(along[int(np.argmax(light))])
