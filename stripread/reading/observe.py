"""From a photograph to its measured pads: everything that comes before a chart is asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout
from shared.errors import MismatchError
from shared.profile import PrintProfile, nominal
from shared.strip import StripType
from stripread.reading import strip_finding
from stripread.reading.light import LightField
from stripread.reading.light_fit import fit_light
from stripread.reading.locate import CardLocation, LocationFailure, locate
from stripread.reading.manual_location import manual_card, manual_strip
from stripread.reading.metadata import Channels
from stripread.reading.pads import MeasuredPad, PhotometricModel, measure_pads, plastic_lab
from stripread.reading.patches import (
    CardColours,
    PatchSample,
    PatchSignals,
    card_colours,
    sample_paper,
    sample_patches,
    to_weights,
    usable_channels,
)
from stripread.reading.photo import MEASURED_PX, WHOLE_PX, Photo
from stripread.reading.photo_file import PhotoFile
from stripread.reading.response import LearnedResponse, learn_response
from stripread.reading.result import ManualLocation
from stripread.reading.strip_finding import FoundStrip, bare_bed, bed_signals, find_strip, relative
from stripread.reading.view import CardView, view_card

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class NoObservation:
    """No observation is possible; ``flag``: the reason; ``located``: the card if it was found."""

    flag: str
    located: CardLocation | None


@dataclass(frozen=True, slots=True)
class Observation:
    """A photograph's card, light, camera and strip; ``strip`` is None where no strip lies on the bed.

    ``bed`` (3,): the signal that bare bed has in this photograph, as its measured colour gives it or, without one, as
    most of the bed shows it; ``bed_clear``: as `bed_check` defines it; ``plastic`` (3,): CIELAB of the blank area.
    """

    photo: Photo
    card: CardLayout
    kind: StripType
    located: CardLocation
    view: CardView
    colours: CardColours
    profile: PrintProfile
    patches: list[PatchSample]
    signals: PatchSignals
    light: LightField
    learned: LearnedResponse
    bed: Array
    strip: FoundStrip | None
    bed_clear: bool
    plastic: Array | None
    pads: list[MeasuredPad]


#: A card shown with fewer pixels a millimetre is looked at again in more detail, if its photograph was shrunk: a pad's
#: middle has a hundred pixels then, whose mean is as certain as the coding of the file allows.
FINE_PX_PER_MM = 3.5


def observe_file(
    file: PhotoFile,
    card: CardLayout,
    kind: StripType,
    profiles: Sequence[PrintProfile],
    manual: ManualLocation | None = None,
) -> tuple[Photo, Observation | NoObservation]:
    """A photograph's file decoded, no larger than needed, and observed. Raises PhotoError, MismatchError."""
    photo = file.decode(MEASURED_PX)
    seen = observe(photo, card, kind, profiles, manual)
    needed = _needed_px(photo, seen.located)
    if photo.shrink > 1 and needed > max(photo.pixels.shape):
        photo = file.decode(needed)
        seen = observe(photo, card, kind, profiles, manual)
    return photo, seen


def _needed_px(photo: Photo, located: CardLocation | None) -> int:
    """Pixels of the photograph's longer side that show the card finely enough; all if it was not found."""
    return WHOLE_PX if located is None else ceil(max(photo.pixels.shape) * FINE_PX_PER_MM / located.px_per_mm)


def observe(photo: Photo, card: CardLayout, kind: StripType, profiles: Sequence[PrintProfile],
            manual: ManualLocation | None = None) -> Observation | NoObservation:
    """Locate, correct light and tone, learn the response, find the strip, measure its pads; ``manual`` precedes."""
    located = manual_card(manual, photo, card, profiles) or locate(
        photo.pixels, card, [p.run for p in profiles if p.run is not None])
    if isinstance(located, LocationFailure):
        return NoObservation(located.reason.value, None)
    profile = _profile_for(located.run, profiles, card, photo.name)
    colours = card_colours(profile, card)
    view = view_card(photo, located)
    patches = sample_patches(view, card)
    greys = [p for p in patches if p.id in colours.neutrals]
    paper = sample_paper(view, card)
    light = fit_light(greys + paper, colours, card)
    signals = _signals(patches, light, photo.coding_u)
    lost = _lost(paper, signals)
    if lost:
        return NoObservation(lost, located)
    learned = learn_response(signals, colours)
    lit = bed_signals(view, card, light)
    bed = learned.response.signal(to_weights(colours.bed)) if profile.measured else bare_bed(lit)
    ratio = relative(lit, bed)
    strip = manual_strip(manual, photo, located, kind) or find_strip(ratio, card, kind)
    through = PhotometricModel(view, light, learned)
    return Observation(
        photo=photo, card=card, kind=kind, located=located, view=view, colours=colours, profile=profile,
        patches=patches, signals=signals, light=light, learned=learned, bed=bed, strip=strip,
        bed_clear=strip_finding.is_clear(ratio, card, kind, strip),
        plastic=plastic_lab(through, strip, kind) if strip else None,
        pads=measure_pads(through, strip, kind, card.bed, bed) if strip else [])


#: Fewer patches than this clear of both ends of the scale say too little of camera and light.
MIN_PATCHES = 12
#: Share of the paper's channels that must lie clear of the top: the light is measured on them.
LEAST_PAPER = 0.35


def _profile_for(run: int, profiles: Sequence[PrintProfile], card: CardLayout, photo: str) -> PrintProfile:
    for profile in profiles:
        if profile.run == run:
            return profile
    if profiles:
        raise MismatchError(
            "the card and the profile belong to different print runs", where=photo, found=f"markers of print run {run}",
            allowed=f"print run {', '.join(str(p.run) for p in profiles)}",
            remedy="register the profile of this print run (page Cards, or `stripread card register`); the command "
                   "`stripread read` takes it with --profile")
    return nominal(card)


def _lost(paper: Sequence[PatchSample], signals: PatchSignals) -> str:
    """Which end of the scale took paper or patches, ``clipped`` or ``dark``; empty when enough is left."""
    level = float(np.median(np.array([p.sample.mean for p in paper]).max(axis=1)))
    clear = float(usable_channels(paper).mean())
    if clear >= LEAST_PAPER and signals.whole.sum() >= MIN_PATCHES:
        return ""
    return "clipped" if level > 128 else "dark"


def _signals(patches: Sequence[PatchSample], light: LightField, coding_u: Channels) -> PatchSignals:
    counts = np.array([p.sample.mean for p in patches])
    signal, slope = light.signal(counts, np.array([p.centre for p in patches]))
    return PatchSignals(signal=signal, slope=slope, clear=usable_channels(patches), coding_u=coding_u)
