"""Check of a card against its measured profile: its patches, paper and markers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import cv2
import msgspec
import numpy as np
from numpy.typing import NDArray

from shared.flags import FLAGS, in_order
from stripread.reading import checks
from stripread.reading.card_shape import CardShape, bar_is_off, bar_length, shape_of
from stripread.reading.checks import patch_errors
from stripread.reading.observe import Observation
from stripread.reading.response import OUTLIER
from stripread.reading.strip_finding import SEARCH_PER_MM, bed_signals, relative

#: Bed this far from its measured colour (share of its signal, in any channel) is stained, unless the photograph is so
#: noisy that this multiple of the usual difference is more.
BED_STAIN, TIMES_USUAL = 0.15, 6.0
#: Left out at the rim of the bed and around a strip, with its shadow, in millimetres.
_RIM, _AROUND = 1.2, 2.0


def stained_bed_mm2(seen: Observation) -> float:
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
    border = max(BED_STAIN, TIMES_USUAL * float(np.median(off[bare])))
    return float((off[bare] > border).sum()) / SEARCH_PER_MM**2


def _under_strip(seen: Observation, places: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which places (..., 2) in millimetres the strip or its shadow covers."""
    if seen.strip is None:
        return np.zeros(places.shape[:-1], dtype=bool)
    off = places - seen.strip.tip
    along, across = off @ seen.strip.along, off @ np.array([-seen.strip.along[1], seen.strip.along[0]])
    inside = (along > -_AROUND) & (along < seen.kind.length + _AROUND)
    return np.asarray(inside & (np.abs(across) < seen.kind.width / 2 + _AROUND))


#: CIEDE2000 by which a patch has visibly changed, if it is also beyond its uncertainty.
CHANGED = 3.0
#: Changed patches from which a card is replaced: a reading leaves single ones out.
MANY_CHANGED = 3
#: A square of paper this far (log light, in any channel) from its surroundings bears a stain, unless the
#: photograph is so noisy that this number of standard deviations is more.
STAIN, NOISE_SD = 0.08, 6.0
#: Stained area of the bed, mm^2, from which it can be mistaken for a strip's edge or a shadow.
BED_STAIN_MM2 = 2.0
#: What no photograph of the card alone can show.
UNSEEN = ("a print that is larger or smaller as a whole: measure the line on the card",
          "a change that all patches and the paper share, such as even yellowing: it looks like another lamp")
STRETCH_UNDETERMINED = "a print stretched in one direction: photograph the card from straight above"


class PatchWear(msgspec.Struct, frozen=True, kw_only=True):
    """One patch: CIEDE2000 from its measured colour under this photograph's light, as the others predict it.

    ``times_uncertainty``: the same in standard uncertainties, from the other patches and the camera's noise.
    """

    id: str
    colour: str
    delta_e: float
    times_uncertainty: float
    changed: bool


class CardCheck(msgspec.Struct, frozen=True, kw_only=True):
    """``stray``: deviation of the consistent patches, in units of their uncertainty. ``bar_mm``: as `bar_length`.

    ``stains``: squares of paper with a stain; ``bed_stain_mm2``: area of the bed, without the strip, of another colour.
    """

    run: int
    verdict: Literal["good", "replace", "look again"]
    reasons: tuple[str, ...]
    stray: float
    typical_delta_e: float
    stains: int
    bed_stain_mm2: float
    markers: tuple[int, ...]
    shape: CardShape
    patches: tuple[PatchWear, ...]
    unseen: tuple[str, ...] = UNSEEN
    bar_mm: float | None = None


def check_card(seen: Observation) -> CardCheck:
    """Judge the card of an observed photograph. Bad light or glare is not a fault of the card: photograph it again."""
    patches = _patches(seen)
    disturbed = checks.check_photograph(seen, seen.card).flags & {"glare", "shadow", "dark", "blurred", "small"}
    stains, bed, shape, bar = _stains(seen), stained_bed_mm2(seen), shape_of(seen), bar_length(seen)
    reasons = [*_faded(seen, patches), *_stained(stains, bed), *_unmarked(seen), *shape.faults(), *_bar(seen, bar)]
    verdict: Literal["good", "replace", "look again"] = "replace" if reasons else "good"
    if disturbed:
        verdict, reasons = "look again", [FLAGS[flag].words for flag in in_order(disturbed)]
    return CardCheck(
        run=seen.located.run, verdict=verdict, reasons=tuple(reasons), stray=round(seen.learned.noise, 2),
        typical_delta_e=round(float(np.median([p.delta_e for p in patches])) if patches else 0.0, 2),
        stains=stains, bed_stain_mm2=round(bed, 1), markers=seen.located.markers, shape=shape, patches=patches,
        unseen=(*UNSEEN, STRETCH_UNDETERMINED) if shape.stretch_undetermined else UNSEEN, bar_mm=bar)


def _bar(seen: Observation, measured: float | None) -> Iterator[str]:
    length = seen.card.scale_bar.length
    if measured is not None and bar_is_off(measured, length):
        yield f"its bar is {measured:.1f} mm long by the markers instead of {length:g} mm: bent, or not printed whole"


def _faded(seen: Observation, patches: tuple[PatchWear, ...]) -> Iterator[str]:
    changed = [p.id for p in patches if p.changed]
    if checks.is_worn(seen):
        yield (f"its patches no longer show their measured colours: those that agree with one another deviate by "
               f"{seen.learned.noise:.1f} times their uncertainty")
    if len(changed) >= MANY_CHANGED:
        yield f"{len(changed)} patches have changed, or something lies on them: {', '.join(changed)}"


def _stained(stains: int, bed_mm2: float) -> Iterator[str]:
    if stains:
        yield f"{stains} squares of its paper are stained"
    if bed_mm2 >= BED_STAIN_MM2:
        yield f"{bed_mm2:.0f} mm² of its grey bed have another colour, or something lies there"


def _unmarked(seen: Observation) -> Iterator[str]:
    if len(seen.located.markers) < 4:
        yield "not all four markers can be read"


def _patches(seen: Observation) -> tuple[PatchWear, ...]:
    """Each patch clear of both ends of the scale, as the response learned from the others would show it."""
    rows = []
    for patch, apart, z in zip(seen.card.patches, patch_errors(seen), np.abs(seen.learned.z).max(axis=1), strict=True):
        if np.isfinite(apart):
            rows.append(PatchWear(id=patch.id, colour=patch.colour, delta_e=round(float(apart), 2),
                                  times_uncertainty=round(float(z), 1), changed=bool(apart > CHANGED and z > OUTLIER)))
    return tuple(rows)


def _stains(seen: Observation) -> int:
    """Squares of bare paper that differ from the light around them in level or between channels."""
    paper = seen.light.misfit[seen.light.is_paper]
    paper = paper[:, np.isfinite(paper).mean(axis=0) > 0.5]
    off = np.abs(paper - np.nanmedian(paper, axis=0))
    noise = NOISE_SD * 1.4826 * np.nanmedian(off, axis=0)
    return int((off > np.maximum(STAIN, noise)).any(axis=1).sum())
