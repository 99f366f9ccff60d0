"""Measurement of the pads: linear signals with their uncertainty, and the bed next to each pad."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.observation import PadObservation
from calibration.reflectance import PRIOR_SD, PRIOR_VARIANCE, XYZ_FRAME
from shared.card import Bed
from shared.colour import xyz_to_lab, xyz_to_lab_jacobian
from shared.strip import Pad, Size, StripType
from stripread.reading.light import LightField
from stripread.reading.metadata import coding_covariance
from stripread.reading.response import LearnedResponse
from stripread.reading.strip_finding import FoundStrip
from stripread.reading.view import CardView, PixelSample

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


def on_strip(view: CardView, strip: FoundStrip, centres: Sequence[tuple[float, float]], half: Size
             ) -> list[PixelSample]:
    """Samples of rectangles that lie with the strip, their centres given along and across the strip (mm)."""
    across = np.array([-strip.along[1], strip.along[0]])
    turned = view.grid(half) @ np.array([strip.along, across])
    return view.samples(np.array([strip.place(*centre) + turned for centre in centres]))


def measure_pads(
    through: PhotometricModel, strip: FoundStrip, kind: StripType, bed: Bed, bare: Array
) -> list[MeasuredPad]:
    """All pads of the strip on the ``bed``, whose bare signal is ``bare`` (3,)."""
    half = (kind.pad_size[0] * MIDDLE / 2, kind.pad_size[1] * MIDDLE / 2)
    w, h = kind.pad_size[0] / 2, kind.pad_size[1] / 2
    centres = np.array([strip.place(pad.centre) for pad in kind.pads])
    samples = on_strip(through.view, strip, [(pad.centre, 0.0) for pad in kind.pads], half)
    besides = _beside(through, strip, kind, bed, bare)
    pads = []
    for pad, sample, centre, uneven, beside in zip(
            kind.pads, samples, centres, _unevenness(through, strip, kind, half), besides, strict=True):
        outline = np.array([strip.place(pad.centre + i * w, j * h) for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
        observed = _observation(pad.analyte, sample, centre, through)
        observed = replace(observed, pixel=observed.pixel + uneven / INDEPENDENT)
        share = np.sqrt(np.diag(uneven)) / np.maximum(observed.signal, DARKEST)
        pads.append(MeasuredPad(pad, centre, outline, sample, observed, beside, float(share.max())))
    return pads


def _unevenness(through: PhotometricModel, strip: FoundStrip, kind: StripType, half: Size) -> list[Array]:
    """Covariances (3, 3) of the signals of each pad's squares, beyond what noise explains."""
    small = (half[0] / SQUARES, half[1] / SQUARES)
    middles = np.arange(SQUARES) - (SQUARES - 1) / 2
    steps = [(2 * small[0] * i, 2 * small[1] * j) for i in middles for j in middles]
    squares = on_strip(through.view, strip, [(p.centre + along, across) for p in kind.pads for along, across in steps],
                       small)
    centres = np.repeat([strip.place(p.centre) for p in kind.pads], len(steps), axis=0)
    signal, slope = through.light.signal(np.array([s.mean for s in squares]), centres)
    variance = np.array([(s.sd * k) ** 2 / max(1, s.n // NEIGHBOURS) for s, k in zip(squares, slope, strict=True)])
    by_pad = (len(kind.pads), len(steps), 3)
    return [_beyond(seen, noise) for seen, noise in zip(signal.reshape(by_pad), variance.reshape(by_pad), strict=True)]


def _beyond(signal: Array, noise: Array) -> Array:
    """Covariance (3, 3) of signals (n, 3) beyond that of their noise (n, 3)."""
    seen = np.cov(signal.T)
    share = max(0.0, 1 - TIED * float(noise.mean(axis=0).sum()) / max(float(np.trace(seen)), 1e-12))
    return np.asarray(share * seen)


def _on(bed: Bed, place: Array) -> bool:
    """Whether a place (2,) lies on the bed, clear of its blurred rim."""
    return bed.y + BED_RIM < float(place[1]) < bed.y + bed.h - BED_RIM


def _beside(through: PhotometricModel, strip: FoundStrip, kind: StripType, bed: Bed, bare: Array
            ) -> list[PadSurroundings]:
    """Small squares of bed on both sides of each pad: the side that is less like bare bed."""
    sides = [[(p.centre, side * (kind.width / 2 + 1.4)) for side in (-1, 1)] for p in kind.pads]
    seen = [place for both in sides for place in both if _on(bed, strip.place(*place))]
    if not seen:
        return [PadSurroundings()] * len(kind.pads)
    counts = np.array([s.mean for s in on_strip(through.view, strip, seen, (1.5, 0.4))])
    ratios = through.light.signal(counts, np.array([strip.place(*place) for place in seen]))[0] / bare
    surroundings = {place: PadSurroundings(float(ratio.mean()), float(np.ptp(ratio / ratio.mean())))
                    for place, ratio in zip(seen, ratios, strict=True)}
    return [max((surroundings[p] for p in both if p in surroundings), key=lambda b: abs(b.level - 1) + b.foreign,
                default=PadSurroundings()) for both in sides]


def plastic_lab(through: PhotometricModel, strip: FoundStrip, kind: StripType) -> Array:
    """CIELAB (3,) of the strip's blank area."""
    half = (kind.blank.size[0] * MIDDLE / 2, kind.blank.size[1] * MIDDLE / 2)
    (sample,) = on_strip(through.view, strip, [(kind.blank.centre, 0.0)], half)
    return lab_of(_observation("blank", sample, strip.place(kind.blank.centre), through))[0]


def _observation(analyte: str, sample: PixelSample, centre: Array, through: PhotometricModel) -> PadObservation:
    """Signals with the covariances of the sample's own pixels and of the light at its place."""
    signal, slope = (v[0] for v in through.light.signal(sample.mean[None], centre[None]))
    # Patches that scatter less than stated show nothing about the light and gloss of a wet pad.
    noise = max(1.0, through.learned.noise)
    coded = coding_covariance(through.learned.coding_u) * noise**2 * np.outer(slope, slope)
    pixel = sample.sd**2 / max(1, sample.n // NEIGHBOURS) * slope**2
    pixel = pixel + np.where(sample.clear_channels, 0.0, CLIPPED_U**2)
    bright = np.maximum(signal, 0.0)
    common = np.outer(bright, bright) * LIGHT_U**2 + np.diag((CHANNEL_U * bright) ** 2)
    light = through.light.loading(signal, centre)
    return PadObservation(analyte=analyte, signal=signal, pixel=coded + np.diag(pixel), light=light,
                          field=common * noise**2 + light @ light.T,
                          response=through.learned.at(signal))


def lab_of(seen: PadObservation) -> tuple[Array, Array]:
    """CIELAB (3,) (D50, 2 degrees) of a pad from its photograph alone, and its covariance (3, 3).

    Most likely smooth reflectance behind the signals under this photograph's response (Wiener estimation),
    then XYZ under D50: the covariance contains what three signals leave open about the spectrum (metamerism).
    """
    h, offset = seen.response.mean[:, 1:], seen.response.mean[:, 0]
    prior = PRIOR_SD**2 * PRIOR_VARIANCE
    weights = np.zeros(len(prior))
    for _ in range(2):
        covariance = seen.pixel + seen.field + np.diag(
            seen.response.variance(seen.response.correction + seen.response.mismatch, weights))
        gain = prior[:, None] * h.T @ np.linalg.inv(h * prior @ h.T + covariance)
        weights = gain @ (seen.signal - offset)
    covariance = np.diag(prior) - gain @ (h * prior)
    xyz = np.maximum(XYZ_FRAME[:, 0] + XYZ_FRAME[:, 1:] @ weights, 1e-4)
    jacobian = xyz_to_lab_jacobian(xyz) @ XYZ_FRAME[:, 1:]
    return xyz_to_lab(xyz), jacobian @ covariance @ jacobian.T
