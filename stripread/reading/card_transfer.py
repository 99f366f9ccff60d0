"""Colours of a print run from photographs of its card next to a measured card.

Both cards lie in the same picture, so camera, tone curve and lamp are the same; each card's light comes from
its own paper. How the camera sees spectra is learned from the measured card; what differs between the two
signals of a patch is then given to its spectrum, as little as explains it (Wiener estimation: Haneishi et al.,
Appl. Opt. 39:6621, 2000). Both runs must be on the same stock: the paper is taken as the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.reflectance import COSINES, PRIOR_SD, PRIOR_VARIANCE, XYZ_FRAME
from shared.card import BED, PAPER, CardLayout
from shared.colour import WAVELENGTHS_NM, lab_to_xyz, xyz_to_lab
from shared.errors import MismatchError
from shared.profile import PrintProfile
from stripread.reading.light_fit import fit_light
from stripread.reading.locate import LocationFailure, locate
from stripread.reading.metadata import Channels
from stripread.reading.patches import (
    PATCH_MARGIN,
    CardColours,
    PatchSample,
    PatchSignals,
    card_colours,
    sample_paper,
    sample_patches,
    usable_channels,
)
from stripread.reading.photo import Photo
from stripread.reading.response import learn_response
from stripread.reading.response_regression import stated_variance
from stripread.reading.view import view_card

Array = NDArray[np.float64]

#: Photographs that say how well they agree; different lights are best.
LEAST_PHOTOS = 3
#: Standard deviation of a reflectance from one print run to the next, as a share of the prior's.
BETWEEN_RUNS = 0.15
#: Channels of a patch that must be clear of the ends of the scale; the variance that excludes the others.
LEAST_CHANNELS, BLIND = 2, 1e3
#: Length of the bed, about its middle, that is taken as its colour, mm.
BED_PIECE_MM = 20.0


@dataclass(frozen=True, slots=True)
class TransferredProfile:
    """The profile, and the standard errors (n,) of the patches and the bed over the photographs, CIELAB units."""

    profile: PrintProfile
    standard_error: Array


def transfer_profile(
    photos: Sequence[Photo], card: CardLayout, *, reference: PrintProfile, run: int
) -> TransferredProfile:
    """The profile of print run ``run`` by way of the measured ``reference``; MismatchError where that cannot be."""
    if len(photos) < LEAST_PHOTOS:
        raise MismatchError("too few photographs", where="photographs", found=str(len(photos)),
                            allowed=f"{LEAST_PHOTOS} or more", remedy="take more, under different lights")
    if len({p.sha256 for p in photos}) < len(photos):
        raise MismatchError("a photograph is listed twice", where="photographs",
                            found=", ".join(p.name for p in photos), allowed="each once: copies add no information")
    if reference.run is None or run == reference.run:
        raise MismatchError("the measured card and the new one must belong to different print runs", where="print run",
                            found=str(run),
                            allowed="the number on the new card, and as reference the profile of another print run")
    colours = card_colours(reference, card)
    ids = (*colours.ids, BED)
    changes = np.array([_change(photo, card, colours=colours, runs=(reference.run, run)) for photo in photos])
    lost = [name for name, gone in zip(ids, np.isnan(changes).any(axis=2).all(axis=0), strict=True) if gone]
    if lost:
        raise MismatchError("no photograph shows this patch without shadow and glare", where="photographs",
                            found=", ".join(lost), remedy="take one without shadow or glare on it")
    lab = xyz_to_lab(np.maximum(lab_to_xyz(reference.lab_of(ids)) + changes @ XYZ_FRAME[:, 1:].T, 0.0))
    return TransferredProfile(_moved(reference, np.nanmean(changes, axis=0), ids=ids, run=run), _standard_error(lab))


def _moved(reference: PrintProfile, change: Array, *, ids: tuple[str, ...], run: int) -> PrintProfile:
    """The measured colours after a change (n, 12) of the coefficients; the paper is unchanged."""
    xyz = np.maximum(lab_to_xyz(reference.lab_of(ids)) + change @ XYZ_FRAME[:, 1:].T, 0.0)
    known = reference.spectra_of((*ids, PAPER))
    moved = np.vstack([change @ COSINES.T, np.zeros(len(WAVELENGTHS_NM))])
    return PrintProfile(run=run, ids=(*ids, PAPER), lab=np.vstack([xyz_to_lab(xyz), reference.lab_of([PAPER])]),
                        spectra=None if known is None else np.maximum(known + moved, 0.0),
                        wavelengths=None if known is None else WAVELENGTHS_NM)


def _standard_error(lab: Array) -> Array:
    """Of the means over photographs (k, n, 3), NaN where one does not show a patch, as CIELAB distances (n,)."""
    shown = ~np.isnan(lab[..., 0])
    off = np.nansum((lab - np.nanmean(lab, axis=0)) ** 2, axis=(0, 2))
    return np.asarray(np.sqrt(off / np.maximum(shown.sum(axis=0) - 1, 1) / shown.sum(axis=0)))


def _change(photo: Photo, card: CardLayout, *, colours: CardColours, runs: tuple[int, int]) -> Array:
    """How the new card's patches and bed differ from the known ones', coefficients (n + 1, 12); NaN: undetermined."""
    looks = [_look(photo, card, run=run) for run in runs]
    greys = [p for p in looks[0].patches if p.id in colours.neutrals]
    tone = fit_light(greys + looks[0].paper, colours, card).linear
    known, new = (_signals(look, tone=tone, card=card, coding_u=photo.coding_u) for look in looks)
    clear = np.logical_and(*(usable_channels(k.patches) for k in looks))
    n = len(colours.ids)
    patches = PatchSignals(known.signal[:n], known.slope[:n], known.clear[:n], photo.coding_u)
    response = learn_response(patches, colours).response
    h = response.mean[:, 1:]
    prior = (BETWEEN_RUNS * PRIOR_SD) ** 2 * PRIOR_VARIANCE
    variance = np.where(clear, stated_variance(known) + stated_variance(new), BLIND)
    seen_alike = (h * prior) @ h.T + variance[:, :, None] * np.eye(3)
    change = np.linalg.solve(seen_alike, (new.signal - known.signal)[:, :, None])[:, :, 0] @ (h * prior)
    return np.where(clear.sum(axis=1, keepdims=True) >= LEAST_CHANNELS, change, np.nan)


@dataclass(frozen=True, slots=True)
class _Look:
    """One card in one picture: samples of its patches and bed, and of its bare paper."""

    patches: list[PatchSample]
    paper: list[PatchSample]


def _look(photo: Photo, card: CardLayout, *, run: int) -> _Look:
    located = locate(photo.pixels, card, [run])
    if isinstance(located, LocationFailure) or located.run != run:
        raise MismatchError("the photograph does not show both cards", where=photo.name,
                            found=f"no card of print run {run}",
                            allowed="the measured card and the new one side by side",
                            remedy="take it again with all eight markers in the picture")
    view = view_card(photo, located)
    centre = (card.bed.x + card.bed.w / 2, card.bed.y + card.bed.h / 2)
    bed = view.samples((np.array(centre) + view.grid((BED_PIECE_MM / 2, card.bed.h / 2 - PATCH_MARGIN)))[None])[0]
    return _Look([*sample_patches(view, card), PatchSample(BED, centre, bed)], sample_paper(view, card))


def _signals(look: _Look, *, tone: Array, card: CardLayout, coding_u: Channels) -> PatchSignals:
    """Signals relative to the card's own paper; ``tone`` (256, 3): linear light of each count."""
    paper = [p for p, usable in zip(look.paper, usable_channels(look.paper), strict=True) if usable.all()]
    light, *_ = np.linalg.lstsq(_terms(paper, card), np.log(_linear(paper, tone)), rcond=None)
    field = np.exp(_terms(look.patches, card) @ light)
    counts = np.array([p.sample.mean for p in look.patches])
    slope = _looked_up(counts, np.gradient(tone, axis=0))
    return PatchSignals(signal=_linear(look.patches, tone) / field, slope=slope / field,
                        clear=usable_channels(look.patches), coding_u=coding_u)


def _linear(samples: Sequence[PatchSample], tone: Array) -> Array:
    return _looked_up(np.array([s.sample.mean for s in samples]), tone)


def _looked_up(counts: Array, table: Array) -> Array:
    """Values (n, 3) of counts (n, 3) in a table (256, 3)."""
    return np.column_stack([np.interp(counts[:, c], np.arange(256), table[:, c]) for c in range(3)])


def _terms(samples: Sequence[PatchSample], card: CardLayout) -> Array:
    """A quadratic over the card (n, 6), for the light that falls on it."""
    x, y = (np.array([s.centre for s in samples]) / card.size - 0.5).T
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
