"""Faults of a photograph, measured, and how well it reproduces its card; each threshold is a number with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.reflectance import PRIOR_SD, PRIOR_VARIANCE, XYZ_FRAME, augmented
from shared.card import CardLayout
from shared.colour import delta_e_2000, xyz_to_lab
from shared.flags import in_order
from stripread.reading.light import LightField
from stripread.reading.observe import Observation
from stripread.reading.pads import MeasuredPad
from stripread.reading.patches import CardColours
from stripread.reading.response import LearnedResponse
from stripread.reading.response_prior import LAMPS

Array = NDArray[np.float64]

#: Share of the patches whose errors the reading states.
STATED = 0.9


def patch_error(seen: Observation) -> float:
    """CIEDE2000 within which nine of ten of the patches are reproduced that the reading uses."""
    return float(np.nanquantile(patch_errors(seen)[seen.learned.used], STATED))


def patch_errors(seen: Observation) -> Array:
    """CIEDE2000 (n,) of each patch as seen from what the others predict; NaN where a channel is at an end."""
    return errors_of_patches(seen.learned, seen.colours)


def errors_of_patches(learned: LearnedResponse, colours: CardColours) -> Array:
    """The same of a response learned from patches of known colours."""
    residual, weights = learned.residual, colours.weights
    prior = PRIOR_SD**2 * PRIOR_VARIANCE
    h = learned.response.mean[:, 1:]
    gain = prior[:, None] * h.T @ np.linalg.inv(h * prior @ h.T + 1e-6 * np.eye(3))
    return np.asarray(delta_e_2000(_lab(weights), _lab(weights + residual @ gain.T)))


def _lab(weights: Array) -> Array:
    return xyz_to_lab(np.maximum(augmented(weights) @ XYZ_FRAME.T, 1e-4))


#: Card millimetres a pixel: below the first a pad's middle is barely resolved, below the second not at all.
SMALL_PX_PER_MM, TOO_SMALL_PX_PER_MM = 3.0, 2.0
#: Blur (standard deviation, mm) that fills half the margin of a pad's sampled middle, and blur from which white
#: plastic moves values out of their intervals; what is measured cannot much exceed that, as modules run together.
BLURRED_MM, TOO_BLURRED_MM = 0.5, 0.6
#: Light on the paper by the strip, linear, 1 at the top of the scale: noise and the tone curve's foot take over.
DARK, TOO_DARK = 0.10, 0.03
#: Light that the smooth field leaves unexplained at nine tenths of the paper's squares: 5 % of light is 1 CIEDE2000.
SHADOW = 0.035
#: Change of the channels' ratios across the card: two lights of different colour.
MIXED = 0.02
#: Light next to a pad that the bed should not show: a mirrored lamp above, a finger or its shade below. On 72 good
#: rendered photographs it lay between 0.95 and 1.01; 1.05 is a veil of some 2 % of white.
GLARE, SHADED = 1.05, 0.85
#: A mirrored lamp has a halo: a pad this near to one with glare next to it, in millimetres, is affected too.
HALO_MM = 10.0
#: Spread of the channels' ratios next to a pad when something of another colour lies there.
FOREIGN = 0.35
#: CIEDE2000 within which nine of ten patches must be reproduced: beyond it no useful interval is left.
COLOURS_OFF = 6.0
#: Share of the patches that may contradict the others, unless one and the same thing covers them: where more do, a
#: minority may be what is true.
CONTRADICTED = 0.25
#: Limit of reproduction where a shadow or a mirrored lamp is seen: what disturbs the patches disturbs the pads.
DISTURBED = 2.0
#: Standard deviation of a pad's signal over its middle, as a share, from which it was not wetted evenly.
UNEVEN = 0.10
#: Patches that must contradict their profile before the card is called covered, and by how much of their signal.
COVERED_PATCHES, COVERED_BY = 3, 0.15
#: What lies on patches has one colour: its signals differ by less than this from patch to patch.
ALIKE = 0.05
#: Multiples of the uncertainty from which the card no longer has its measured colours, and from which the deviation
#: cannot be corrected.
WORN, TOO_WORN = 2.5, 4.0
#: Lamps of narrow bands that render dyes poorly, and their joint probability from which one of them is reported.
POOR_LAMPS = ("FL11", "FL3.10", "LED-RGB1")
POOR_SHARE = 0.5
#: Bare plastic that is no longer white: more chroma, or less lightness, than this (CIELAB).
COLOURED_CHROMA, TURBID_LIGHTNESS = 8.0, 85.0


@dataclass(frozen=True, slots=True)
class PhotographChecks:
    """``flags`` of the whole photograph and of the strip as a whole; ``patch_error`` as the function of this name.

    ``fatal``: the flag that invalidates every value of the photograph, or an empty string.
    """

    flags: set[str]
    fatal: str
    patch_error: float


def check_photograph(seen: Observation, card: CardLayout) -> PhotographChecks:
    """What is wrong with a photograph."""
    error = patch_error(seen)
    flags = _photograph_flags(seen, card, error)
    return PhotographChecks(flags, _fatal_flag(seen, card, flags, error), error)


def _photograph_flags(seen: Observation, card: CardLayout, error: float) -> set[str]:
    tests = {
        "small": seen.located.px_per_mm < SMALL_PX_PER_MM,
        "blurred": seen.located.edge_mm > BLURRED_MM,
        "dark": light_by_strip(seen.light, card) < DARK,
        "glare": _glare(seen) and not _shadow(seen.light),
        "shadow": _shadow(seen.light),
        "mixed-light": _mixed(seen.light, card) > MIXED,
        "poor-light": _poor(seen),
        "patches-covered": _covered(seen),
        "card-worn": is_worn(seen) and not _shadow(seen.light) and not _glare(seen),
        "colours-off": seen.profile.measured and (error > COLOURS_OFF or _contradicted(seen)),
        "profile-missing": not seen.profile.measured,
        "bed-not-clear": not seen.bed_clear,
        "no-strip": seen.strip is None and seen.bed_clear,
        "strip-reversed": seen.strip is not None and seen.strip.reversed_,
        "water-coloured": seen.plastic is not None and _coloured(seen.plastic),
    }
    return {name for name, true in tests.items() if true}


def _fatal_flag(seen: Observation, card: CardLayout, flags: set[str], error: float) -> str:
    if nothing := flags & {"bed-not-clear", "no-strip"}:
        return nothing.pop()
    if seen.located.px_per_mm < TOO_SMALL_PX_PER_MM:
        return "small"
    if seen.located.edge_mm > TOO_BLURRED_MM:
        return "blurred"
    if light_by_strip(seen.light, card) < TOO_DARK:
        return "dark"
    return _untrue(seen, flags, error)


def _untrue(seen: Observation, flags: set[str], error: float) -> str:
    """The flag for which colours are not to be relied on, or an empty string."""
    noise = seen.learned.noise
    if (noise > WORN or error > DISTURBED) and (disturbed := flags & {"shadow", "glare"}):
        return in_order(disturbed)[-1]
    if "colours-off" in flags:
        return "colours-off"
    return "card-worn" if noise > TOO_WORN and seen.profile.measured else ""


def light_by_strip(light: LightField, card: CardLayout) -> float:
    """Mean linear light on the paper along the strip's place."""
    xs = np.linspace(card.bed.x, card.bed.x + card.bed.w, 7)
    return float(light.at(np.column_stack([xs, np.full(7, card.bed.axis_y)])).mean())


def unexplained_light(light: LightField) -> tuple[Array, NDArray[np.bool_]]:
    """Unexplained light (n,) of the neutrals, and whether (n,) each is neutral at all, not covered."""
    seen = np.isfinite(light.misfit).all(axis=1)
    level = np.where(seen, np.nan_to_num(light.misfit).mean(axis=1), 0.0)
    apart = np.where(seen, np.ptp(np.nan_to_num(light.misfit), axis=1), np.inf)
    return level, apart < 0.1


def _shadow(light: LightField) -> bool:
    level, neutral = unexplained_light(light)
    paper = neutral & light.is_paper
    return bool(paper.sum() > 10 and np.quantile(np.abs(level[paper]), 0.9) > SHADOW)


def _glare(seen: Observation) -> bool:
    return any(_glares(p) for p in seen.pads)


def _glares(pad: MeasuredPad) -> bool:
    return pad.beside.level > GLARE and pad.beside.foreign < FOREIGN


def _mixed(light: LightField, card: CardLayout) -> float:
    """Largest change of a channel's ratio to the others across the card, of channels seen on most of the paper."""
    seen = np.isfinite(light.misfit[light.is_paper]).mean(axis=0) > 0.5
    if seen.sum() < 2:
        return 0.0
    x, y = (np.linspace(0.1, 0.9, 7) * side for side in card.size)
    ratio = np.log(light.at(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))[:, seen])
    ratio -= ratio.mean(axis=1, keepdims=True)
    return float(np.ptp(ratio, axis=0).max())


def _poor(seen: Observation) -> bool:
    """Whether the lamp's bands are narrow; patches without measured spectra do not show it."""
    if seen.colours.covariance is not None:
        return False
    return sum(p for n, p in zip(LAMPS, seen.learned.lamps, strict=True) if n in POOR_LAMPS) > POOR_SHARE


def _deviating(seen: Observation) -> Array:
    """Signals (k, 3) of patches clear of both ends of the scale and yet far from what they should show."""
    out = seen.signals.whole & ~seen.learned.used
    expected = seen.learned.response.signal(seen.colours.weights[out])
    signal = seen.signals.signal[out]
    deviating = np.abs(signal - expected).max(axis=1) > COVERED_BY * np.maximum(expected.max(axis=1), 0.1)
    return np.asarray(signal[deviating])


def _contradicted(seen: Observation) -> bool:
    """Whether too many patches were left out for the remaining ones to be relied on."""
    whole = seen.signals.whole
    return float((whole & ~seen.learned.used).sum()) > CONTRADICTED * whole.sum() and not _covered(seen)


def _covered(seen: Observation) -> bool:
    """Whether many patches show one and the same strange colour: that of what lies on them."""
    deviating = _deviating(seen)
    return len(deviating) >= COVERED_PATCHES and float(np.median(np.abs(deviating - np.median(deviating,
                                                                                              axis=0)))) < ALIKE


def is_worn(seen: Observation) -> bool:
    """Whether the patches deviate from their measured colours, all together or many of them individually."""
    if not seen.profile.measured:
        return False
    return seen.learned.noise > WORN or (len(_deviating(seen)) >= COVERED_PATCHES and not _covered(seen))


def _coloured(plastic: Array) -> bool:
    return float(np.hypot(plastic[1], plastic[2])) > COLOURED_CHROMA or float(plastic[0]) < TURBID_LIGHTNESS


def pad_fatal_flag(pad: MeasuredPad, pads: Sequence[MeasuredPad]) -> str:
    """The flag for which one of a strip's ``pads`` is refused whatever its colour, or an empty string."""
    if pad.beside.foreign > FOREIGN or pad.beside.level < SHADED:
        return "pad-covered"
    if any(_glares(p) and abs(p.pad.centre - pad.pad.centre) < HALO_MM for p in pads):
        return "glare"
    return "clipped" if pad.clipped.sum() >= 2 else ""
