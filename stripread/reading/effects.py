"""Whether a disturbance of a photograph changes a result: only then is it reported.

Uneven and mixed light are corrected, and the noise of a worn card's patches enters the intervals. What remains is
compared with each value's own uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from calibration.value import PadValue
from stripread.reading.checks import unexplained_light
from stripread.reading.observe import Observation
from stripread.reading.pads import MeasuredPad
from stripread.reading.patches import paper_places

Array = NDArray[np.float64]

#: Flags of what is corrected or contained in the intervals, and may therefore leave the results as they are.
CORRECTED = frozenset({"shadow", "mixed-light", "card-worn"})
#: Standard uncertainties of a value by which an effect changes it: with that bias a 95 % interval contains the true
#: value in 92 % instead (normal distribution).
RELEVANT = 0.5
#: Change of a dye's signals relative to white for a unit of change of white's own colour (log), between lamps of broad
#: bands: what a correction by white leaves of mixed light (root mean square over simulated cameras and dyes).
DYES_SHIFT = 0.22
#: Components of the uncertainty budget that grow with the scatter of the patches.
_BY_PATCHES = frozenset({"pad pixels", "light field", "colour correction", "lighting mismatch"})
#: Paper this near to a pad, in millimetres, shows the light that falls on it.
NEAR_MM = 20.0


def without_effect(flags: set[str], stop: str, seen: Observation, values: Mapping[str, PadValue]) -> set[str]:
    """Those of the photograph's ``flags`` that change no result. ``stop``: what refuses the whole photograph."""
    if stop:
        return flags & CORRECTED - {stop}
    # A pad that has no value may have lost it to any of them.
    if len(values) < len(seen.pads):
        return set()
    return {flag for flag in flags & CORRECTED
            if all(_effect(flag, pad, seen, values[pad.pad.analyte]) < RELEVANT for pad in seen.pads)}


def _effect(flag: str, pad: MeasuredPad, seen: Observation, value: PadValue) -> float:
    """Change of a pad's value by what a flag reports, in the value's standard uncertainties."""
    u = float(np.sqrt(sum(part.u**2 for part in value.budget)))
    moved = value.gain * pad.observation.signal
    if flag == "card-worn":
        return _by_worn_patches(seen, value) / u
    if flag == "shadow":
        return abs(float(moved.sum())) * _unexplained_light(pad, seen) / u
    return abs(float(moved @ _colour_of_light(pad, seen))) * DYES_SHIFT / u


def _by_worn_patches(seen: Observation, value: PadValue) -> float:
    """What patches that scatter more than stated add to the value's uncertainty, at most."""
    parts = sum(p.u**2 for p in value.budget if p.name in _BY_PATCHES)
    return float(np.sqrt(parts * max(0.0, 1 - seen.learned.noise**-2)))


def _unexplained_light(pad: MeasuredPad, seen: Observation) -> float:
    """Light (log) that the smooth field leaves unexplained on paper near a pad, root mean square."""
    level, neutral = unexplained_light(seen.light)
    near = np.linalg.norm(np.array(paper_places(seen.card)) - pad.centre, axis=1) < NEAR_MM
    level = level[seen.light.is_paper][near & neutral[seen.light.is_paper]]
    return float(np.sqrt(np.mean(level**2))) if len(level) else np.inf


def _colour_of_light(pad: MeasuredPad, seen: Observation) -> Array:
    """Difference (3,) of the light's colour (log) at a pad from its mean over the patches."""
    there = _colour(seen, pad.centre[None])[0]
    return np.asarray(there - _colour(seen, np.array([p.centre for p in seen.patches])).mean(axis=0))


def _colour(seen: Observation, mm: Array) -> Array:
    light = np.log(seen.light.at(mm))
    return np.asarray(light - light.mean(axis=1, keepdims=True))
