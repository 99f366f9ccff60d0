"""Measurement of the pads: linear signals with their uncertainty, and the bed next to each pad."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.observation import PadObservation, outer
from calibration.reflectance import PRIOR_SD, PRIOR_VARIANCE, XYZ_FRAME, augmented
from shared.card import Bed
from shared.colour import xyz_to_lab, xyz_to_lab_jacobian
from shared.strip import Blank, Pad, Size, StripType
from stripread.reading.light import LightField
from stripread.reading.metadata import coding_covariance
from stripread.reading.response import LearnedResponse
from stripread.reading.strip_finding import FoundStrip
from stripread.reading.view import CardView, PixelSample, clear_of_ends

Array = NDArray[np.float64]

#: Share of a pad's side that is sampled: its middle, clear of blurred edges and of shadows at its rim.
MIDDLE = 0.58
#: Relative uncertainty of the light at a pad, the same in all channels, and of each channel by itself (tone, gloss).
LIGHT_U, CHANNEL_U = 0.006, 0.006
#: The bed's rim is blurred into the paper this far, millimetres.
BED_RIM = 0.8
#: Sampled points that share their noise: JPEG blocks and sharpening tie neighbours together.
NEIGHBOURS = 2
#: Uncertainty of the signal of a channel at an end of the scale.
CLIPPED_U = 0.15
#: Number of squares a side into which a pad's middle is divided. Their means scatter by the pixels' noise, which JPEG
#: correlates over more pixels than NEIGHBOURS (a factor of the variance), and beyond that by unevenness of the pad.
SQUARES, TIED = 3, 4.0
#: Squares of one pad whose colours vary independently, where wetting was uneven.
INDEPENDENT = 4
#: Signal below which shares of it are meaningless.
DARKEST = 0.1


@dataclass(frozen=True, slots=True)
class PhotometricModel:
    """What a pad is seen through."""

    view: CardView
    light: LightField
    learned: LearnedResponse


@dataclass(frozen=True, slots=True)
class PadSurroundings:
    """The bed next to a pad relative to bare bed: mean over the channels, and the spread of their ratios."""

    level: float = 1.0
    foreign: float = 0.0


@dataclass(frozen=True, slots=True)
class MeasuredPad:
    """One pad: centre (2,) and outline (4, 2) in the card's millimetres, sample, observation, the bed by it.

    ``uneven``: standard deviation of its signal over the pad beyond noise, as a share of it; the largest channel's.
    """

    pad: Pad
    centre: Array
    outline: Array
    sample: PixelSample
    observation: PadObservation
    beside: PadSurroundings
    uneven: float

    @property
    def clipped(self) -> NDArray[np.bool_]:
        """Channels (3,) at the top of the scale."""
        return self.sample.burnt_channels


def on_strip(view: CardView, strip: FoundStrip, centres: Array, half: Size) -> list[PixelSample]:
    """Samples of rectangles that lie with the strip, their centres (n, 2) given along and across the strip (mm)."""
    return view.samples(strip.places(centres[:, None] + view.grid(half)))


def _on_axis(pads: Sequence[Pad | Blank]) -> Array:
    """Centres (n, 2) of pads along and across the strip (mm)."""
    return np.array([(pad.centre, 0.0) for pad in pads])


def measure_pads(
    through: PhotometricModel, strip: FoundStrip, kind: StripType, bed: Bed, bare: Array
) -> list[MeasuredPad]:
    """All pads of the strip on the ``bed``, whose bare signal is ``bare`` (3,)."""
    half = (kind.pad_size[0] * MIDDLE / 2, kind.pad_size[1] * MIDDLE / 2)
    on_axis = _on_axis(kind.pads)
    centres = strip.places(on_axis)
    samples = on_strip(through.view, strip, on_axis, half)
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * kind.pad_size / 2
    outlines = strip.places(on_axis[:, None] + corners)
    uneven = _unevenness(through, strip, kind, half)
    seen = observations([pad.analyte for pad in kind.pads], samples, centres, through, uneven / INDEPENDENT)
    shares = np.sqrt(np.diagonal(uneven, axis1=1, axis2=2)) / np.maximum([s.signal for s in seen], DARKEST)
    besides = _beside(through, strip, kind, bed, bare)
    return [MeasuredPad(*each) for each in zip(kind.pads, centres, outlines, samples, seen, besides,
                                               shares.max(axis=1).tolist(), strict=True)]


def _unevenness(through: PhotometricModel, strip: FoundStrip, kind: StripType, half: Size) -> Array:
    """Covariances (n, 3, 3) of the signals of each pad's squares, beyond what noise explains."""
    small = (half[0] / SQUARES, half[1] / SQUARES)
    middles = np.arange(SQUARES) - (SQUARES - 1) / 2
    steps = np.array([(2 * small[0] * i, 2 * small[1] * j) for i in middles for j in middles])
    on_axis = _on_axis(kind.pads)
    squares = on_strip(through.view, strip, (on_axis[:, None] + steps).reshape(-1, 2), small)
    centres = np.repeat(strip.places(on_axis), len(steps), axis=0)
    signal, slope = through.light.signal(np.array([s.mean for s in squares]), centres)
    variance = np.array([(s.sd * k) ** 2 / max(1, s.n // NEIGHBOURS) for s, k in zip(squares, slope, strict=True)])
    by_pad = (len(kind.pads), len(steps), 3)
    return np.array([_beyond(seen, noise)
                     for seen, noise in zip(signal.reshape(by_pad), variance.reshape(by_pad), strict=True)])


def _beyond(signal: Array, noise: Array) -> Array:
    """Covariance (3, 3) of signals (n, 3) beyond that of their noise (n, 3)."""
    seen = np.cov(signal.T)
    share = max(0.0, 1 - TIED * float(noise.mean(axis=0).sum()) / max(float(np.trace(seen)), 1e-12))
    return np.asarray(share * seen)


def _beside(through: PhotometricModel, strip: FoundStrip, kind: StripType, bed: Bed, bare: Array
            ) -> list[PadSurroundings]:
    """Small squares of bed on both sides of each pad, clear of its rim: the side that is less like bare bed."""
    off_axis = kind.width / 2 + 1.4
    sides = _on_axis(kind.pads)[:, None] + np.array([(0.0, -off_axis), (0.0, off_axis)])
    places = strip.places(sides)
    on_bed = np.abs(places[..., 1] - bed.y - bed.h / 2) < bed.h / 2 - BED_RIM
    ratio = np.ones((*on_bed.shape, 3))
    if on_bed.any():
        counts = np.array([s.mean for s in on_strip(through.view, strip, sides[on_bed], (1.5, 0.4))])
        ratio[on_bed] = through.light.signal(counts, places[on_bed])[0] / bare
    level = ratio.mean(axis=-1)
    foreign = np.ptp(ratio / level[..., None], axis=-1)
    which = np.arange(len(sides)), (np.abs(level - 1) + foreign).argmax(axis=1)
    return [PadSurroundings(*pair) for pair in zip(level[which].tolist(), foreign[which].tolist(), strict=True)]


def plastic_lab(through: PhotometricModel, strip: FoundStrip, kind: StripType) -> Array:
    """CIELAB (3,) of the strip's blank area."""
    half = (kind.blank.size[0] * MIDDLE / 2, kind.blank.size[1] * MIDDLE / 2)
    centre = np.array([(kind.blank.centre, 0.0)])
    samples = on_strip(through.view, strip, centre, half)
    lab, _ = labs_of(observations(["blank"], samples, strip.places(centre), through))
    return np.asarray(lab[0])


def observations(analytes: Sequence[str], samples: Sequence[PixelSample], centres: Array, through: PhotometricModel,
                 uneven: Array | float = 0.0) -> list[PadObservation]:
    """Signals with the covariances of the samples' own pixels and of the light at their centres (n, 2).

    ``uneven`` (n, 3, 3): covariances of the signals that unevenness adds.
    """
    mean, sd = np.array([s.mean for s in samples]), np.array([s.sd for s in samples])
    independent = np.array([max(1, s.n // NEIGHBOURS) for s in samples])
    signal, slope = through.light.signal(mean, centres)
    # Patches that scatter less than stated show nothing about the light and gloss of a wet pad.
    noise = max(1.0, through.learned.noise)
    own = (sd * slope) ** 2 / independent[:, None] + np.where(clear_of_ends(mean, sd), 0.0, CLIPPED_U**2)
    pixel = coding_covariance(through.learned.coding_u) * noise**2 * outer(slope) + own[..., None] * np.eye(3) + uneven
    bright = np.maximum(signal, 0.0)
    level = outer(LIGHT_U * bright) + ((CHANNEL_U * bright) ** 2)[..., None] * np.eye(3)
    light = through.light.loadings(signal, centres)
    field = level * noise**2 + light @ light.swapaxes(1, 2)
    return [PadObservation(analyte=analyte, signal=signal[i], pixel=pixel[i], light=light[i], field=field[i],
                           response=through.learned.at(signal[i])) for i, analyte in enumerate(analytes)]


def labs_of(seen: Sequence[PadObservation]) -> tuple[Array, Array]:
    """CIELAB (n, 3) (D50, 2 degrees) of pads from their photographs alone, and its covariances (n, 3, 3).

    Most likely smooth reflectance behind the signals under each photograph's response (Wiener estimation),
    then XYZ under D50: the covariance contains what three signals leave open about the spectrum (metamerism).
    """
    signal, mean = np.array([s.signal for s in seen]), np.array([s.response.mean for s in seen])
    given = np.array([s.pixel + s.field for s in seen])
    error = np.array([s.response.correction + s.response.mismatch for s in seen])
    h, turned, prior = mean[..., 1:], mean[..., 1:].swapaxes(1, 2), PRIOR_SD**2 * PRIOR_VARIANCE
    weights = np.zeros((len(seen), len(prior)))
    for _ in range(2):
        frame = augmented(weights)
        variance = np.einsum("pci,pi->pc", np.einsum("pcij,pj->pci", error, frame), frame)
        gain = prior[:, None] * turned @ np.linalg.inv(h * prior @ turned + given + variance[..., None] * np.eye(3))
        weights = np.einsum("pic,pc->pi", gain, signal - mean[..., 0])
    covariance = np.diag(prior) - gain @ (h * prior)
    xyz = np.maximum(augmented(weights) @ XYZ_FRAME.T, 1e-4)
    jacobian = xyz_to_lab_jacobian(xyz) @ XYZ_FRAME[:, 1:]
    return xyz_to_lab(xyz), jacobian @ covariance @ jacobian.swapaxes(1, 2)
