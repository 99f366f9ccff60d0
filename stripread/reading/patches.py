"""What is printed on the card as the photograph shows it: patches, and bare paper between them.

The colours of a print run that was not measured may differ from the design: dots of ink spread on the paper (dot gain),
each ink's by an amount of its own that all patches share: black dims the greys, cyan, magenta and yellow the red, green
and blue thirds of the spectrum. What else differs from patch to patch is independent. A design colour at an end of sRGB
represents one beyond it that sRGB cannot express.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration.reflectance import FRAME, FROM_SPECTRUM, PRIOR_MEAN, PRIOR_SD, PRIOR_VARIANCE, XYZ_FRAME, augmented
from shared.card import BED, PAPER, CardLayout
from shared.colour import WAVELENGTHS_NM, lab_to_xyz
from shared.profile import PrintProfile
from stripread.reading.metadata import UNKNOWN_CODING, Channels
from stripread.reading.view import CardView, PixelSample, clear_of_ends

Array = NDArray[np.float64]

#: Dot gain at half coverage, from one print run to another: ISO 12647-2 names curves from 13 to 28 % for its printing
#: conditions and allows 4 % within one.
DOT_GAIN_SD = 0.08
#: The same for each patch by itself, and reflectance in a third of the spectrum where the design is at an end of sRGB.
OWN_GAIN_SD, BEYOND_SRGB_SD = 0.03, 0.05
#: Where one third of the spectrum passes into the next, and over what width, nm.
_BORDERS, _PASSAGE = (490.0, 590.0), 15.0


@dataclass(frozen=True, slots=True)
class RunToRun:
    """``shared`` (m, n, 31): change of the n reflectances for one standard deviation of each way all differ in.

    ``own`` (k, n, 31): the same for ways in which each patch differs independently of the others.
    """

    shared: Array
    own: Array


def run_to_run(ratio: Array, neutral: NDArray[np.bool_], srgb: Array) -> RunToRun:
    """For reflectances relative to the paper (n, 31), which of them are grey (n,), and design colours (n, 3) of 255."""
    thirds = _thirds()
    # Murray and Davies: paper and ink share the area, and the edge of a dot is longest at half coverage.
    spread = -4 * ratio * (1 - ratio)
    inks = spread * thirds[:, None] * ~neutral[:, None]
    black = spread * neutral[:, None]
    beyond = thirds[:, None] * ((srgb <= 0) | (srgb >= 255)).T[..., None]
    return RunToRun(shared=DOT_GAIN_SD * np.stack([*inks, black]),
                    own=np.concatenate([OWN_GAIN_SD * spread * thirds[:, None], BEYOND_SRGB_SD * beyond]))


def _thirds() -> Array:
    """The red, green and blue thirds (3, 31) of the spectrum; they sum to 1."""
    first, second = (1 / (1 + np.exp((WAVELENGTHS_NM - border) / _PASSAGE)) for border in _BORDERS)
    return np.array([1 - second, second - first, first])


#: Left free inside a patch's edge, and around everything printed when bare paper is sought, in millimetres.
PATCH_MARGIN, PAPER_MARGIN = 1.5, 0.8
PAPER_SQUARE, PAPER_PITCH, PAPER_STEP = 2.0, 8.0, 0.2
#: A sample with less than this inside the photograph is not used at all.
LEAST_INSIDE = 0.98
#: Patches with less chroma than this (CIELAB) serve as greys.
NEUTRAL_CHROMA = 4.0
#: Middle and width in nm of the bands in which a camera's channels see a neutral: red, green, blue.
_BANDS = ((600.0, 35.0), (540.0, 35.0), (460.0, 30.0))


@dataclass(frozen=True, slots=True)
class PatchSample:
    """A printed area: its centre in millimetres and its sampled pixels."""

    id: str
    centre: tuple[float, float]
    sample: PixelSample


def usable_channels(areas: Sequence[PatchSample]) -> NDArray[np.bool_]:
    """Which channels (n, 3) lie clear of both ends of the scale, within the photograph."""
    samples = [a.sample for a in areas]
    inside = np.array([s.inside for s in samples]) >= LEAST_INSIDE
    clear = clear_of_ends(np.array([s.mean for s in samples]), np.array([s.sd for s in samples]))
    return np.asarray(clear & inside[:, None])


@dataclass(frozen=True, slots=True)
class PatchSignals:
    """Linear signals (n, 3) of the patches, slope per count (n, 3), and which lie clear of the scale's ends (n, 3).

    A patch with one channel at an end of the scale, as strong blues and greens often have, still shows the other two.
    ``coding_u``: by which the file's coding misses luma, Cb and Cr of a patch's mean, standard deviations in counts.
    """

    signal: Array
    slope: Array
    clear: NDArray[np.bool_]
    coding_u: Channels = UNKNOWN_CODING

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Which patches (n,) show anything."""
        return np.asarray(self.clear.any(axis=1))

    @property
    def whole(self) -> NDArray[np.bool_]:
        """Which patches (n,) show all three channels."""
        return np.asarray(self.clear.all(axis=1))

    def only_whole(self) -> PatchSignals:
        """The same without patches that have a channel at an end of the scale.

        Cameras that raise saturation clip a colour first and then mix its channels: none of them is linear any more.
        """
        return replace(self, clear=self.clear & self.whole[:, None])


@dataclass(frozen=True, slots=True, eq=False)
class CardColours:
    """Spectra of a print run as the reading uses them; equal only to itself, so that what follows can be kept.

    ``reflectance`` (n, 31) of the patches ``ids``, with the covariance ``covariance`` (n, 12, 12) of each or None
    where spectra were measured; ``shared`` (m, n, 31): ways in which all may differ together, one standard deviation
    each, or None where colours were measured. ``paper`` and ``bed`` (31,); ``neutrals``: ids of patches without chroma.
    """

    ids: tuple[str, ...]
    reflectance: Array
    covariance: Array | None
    shared: Array | None
    paper: Array
    bed: Array
    neutrals: frozenset[str]

    @property
    def weights(self) -> Array:
        """Coefficients (n, 12) of the patches' spectra in the frame of `calibration.reflectance`."""
        return to_weights(self.reflectance)

    def neutral(self, patch_id: str) -> Array:
        """Reflectance (3,) of a neutral relative to the paper, as red, green and blue channels see it."""
        if patch_id == PAPER:
            return np.ones(3)
        ratio = self.reflectance[self.ids.index(patch_id)] / self.paper
        return np.array([_band(k) @ ratio for k in range(3)])


@lru_cache(maxsize=3)
def _band(channel: int) -> Array:
    middle, width = _BANDS[channel]
    weight = np.exp(-0.5 * ((WAVELENGTHS_NM - middle) / width) ** 2)
    return np.asarray(weight / weight.sum())


@lru_cache(maxsize=8)
def card_colours(profile: PrintProfile, card: CardLayout) -> CardColours:
    """The spectra of what is printed, from a profile; estimated from Lab where no spectra were measured."""
    ids = tuple(p.id for p in card.patches)
    wanted = (*ids, PAPER, BED)
    lab = profile.lab_of(wanted)
    covariance = shared = None
    flat = np.hypot(lab[:-2, 1], lab[:-2, 2]) < NEUTRAL_CHROMA
    spectra = profile.spectra_of(wanted)
    if spectra is None:
        weights, unknown = weights_of_lab(lab)
        spectra = np.clip(augmented(weights) @ FRAME.T, 0.005, 1.0)
        covariance = np.broadcast_to(unknown, (len(ids), *unknown.shape))
    if covariance is not None and not profile.measured:
        differs = run_to_run(spectra[:-2] / spectra[-2], flat, np.array([p.srgb for p in card.patches]))
        own = differs.own @ FROM_SPECTRUM.T
        covariance = covariance + np.einsum("knj,knl->njl", own, own)
        shared = differs.shared
    return CardColours(ids=ids, reflectance=spectra[:-2], covariance=covariance, shared=shared, paper=spectra[-2],
                       bed=spectra[-1], neutrals=frozenset(i for i, is_flat in zip(ids, flat, strict=True) if is_flat))


def to_weights(reflectance: Array) -> Array:
    """Coefficients (..., 12) that come closest to spectra (..., 31)."""
    return (reflectance - PRIOR_MEAN) @ FROM_SPECTRUM.T


def weights_of_lab(lab: Array) -> tuple[Array, Array]:
    """Most likely spectra (n, 12 coefficients) behind CIELAB (n, 3) and the remaining covariance (12, 12) of each."""
    x = XYZ_FRAME[:, 1:]
    prior = np.diag(PRIOR_SD**2 * PRIOR_VARIANCE)
    gain = prior @ x.T @ np.linalg.inv(x @ prior @ x.T)
    return (lab_to_xyz(lab) - XYZ_FRAME[:, 0]) @ gain.T, prior - gain @ x @ prior


def sample_patches(view: CardView, card: CardLayout) -> list[PatchSample]:
    """Every patch of the layout, its margin left out."""
    centres = np.array([(p.x + p.w / 2, p.y + p.h / 2) for p in card.patches])
    sizes = np.array([(p.w, p.h) for p in card.patches])
    samples: dict[int, PixelSample] = {}
    for size in np.unique(sizes, axis=0):
        alike = np.flatnonzero((sizes == size).all(axis=1))
        half = (float(size[0]) / 2 - PATCH_MARGIN, float(size[1]) / 2 - PATCH_MARGIN)
        samples.update(zip(alike.tolist(), view.samples(centres[alike, None] + view.grid(half)), strict=True))
    return [PatchSample(p.id, (float(x), float(y)), samples[i])
            for i, (p, (x, y)) in enumerate(zip(card.patches, centres, strict=True))]


def sample_paper(view: CardView, card: CardLayout) -> list[PatchSample]:
    """Small squares of bare paper wherever the layout leaves room for them."""
    places = np.array(paper_places(card))
    samples = view.samples(places[:, None] + view.grid((PAPER_SQUARE / 2, PAPER_SQUARE / 2)))
    return [PatchSample(PAPER, (float(x), float(y)), sample) for (x, y), sample in zip(places, samples, strict=True)]


@lru_cache(maxsize=8)
def paper_places(card: CardLayout) -> tuple[tuple[float, float], ...]:
    """Centres of squares of bare paper, clear of everything printed and of the card's rim, PAPER_PITCH apart."""
    reach = PAPER_SQUARE / 2 + PAPER_MARGIN
    side = card.markers.side
    bar = card.scale_bar
    printed = [(p.x, p.y, p.w, p.h) for p in card.patches]
    printed += [(x, y, side, side) for x, y in card.markers.top_left_corners]
    printed += [(card.bed.x, card.bed.y, card.bed.w, card.bed.h), (bar.x, bar.y, bar.length, 0.0)]
    xs, ys = (np.arange(reach + 1, length - reach - 1, PAPER_STEP) for length in card.size)
    free = np.ones((len(ys), len(xs)), dtype=bool)
    clear = reach - PAPER_STEP / 10  # so that a gap that is just wide enough counts in spite of rounding
    for x, y, w, h in printed:
        free &= ~np.outer((ys > y - clear) & (ys < y + h + clear), (xs > x - clear) & (xs < x + w + clear))
    places: list[tuple[float, float]] = []
    while free.any():
        row, column = np.unravel_index(int(np.argmax(free)), free.shape)
        places.append((float(xs[column]), float(ys[row])))
        free[np.ix_(np.abs(ys - ys[row]) < PAPER_PITCH, np.abs(xs - xs[column]) < PAPER_PITCH)] = False
    return tuple(places)
