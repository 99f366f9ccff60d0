"""Simulated photographs, handed to the reader as the areas that it would have sampled; charts fitted to them."""

from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import cast

import numpy as np

from calibration.chart import Chart
from calibration.curve import Curve
from calibration.fit import fitted
from calibration.observation import PadObservation, StandardObservation
from calibration.release import Evidence, GateCheck
from shared.card import PAPER, default_card
from shared.profile import PrintProfile
from shared.strip import default_strip
from stripread.reading.light import LightField
from stripread.reading.light_fit import fit_light
from stripread.reading.metadata import jpeg_coding_u
from stripread.reading.observe import _signals
from stripread.reading.pads import CHANNEL_U, LIGHT_U, PhotometricModel, observations
from stripread.reading.patches import PatchSample, PatchSignals, card_colours, paper_places
from stripread.reading.response import LearnedResponse, learn_response
from stripread.reading.response_regression import SHARE
from stripread.reading.view import CardView, PixelSample
from tests import simulator
from tests.simulator import INDICATORS, Array, Camera, Exposure, Rng

CARD, STRIP = default_card(), default_strip()
#: Lights under which the standards are photographed.
BENCH_LIGHTS = ("D65", "LED-B5", "LED-B2")
#: Standard uncertainty of a certified value: a share of it, and a share of the range.
CERTIFIED_U = (0.006, 0.0001)


@dataclass(frozen=True)
class Shot:
    """A simulated photograph of a card, and what the reader makes of light, tone and response in it."""

    exposure: Exposure
    light: LightField
    signals: PatchSignals
    learned: LearnedResponse

    def pad(self, analyte: str, value: float, rng: Rng, *, load_sd: float = simulator.LOAD_SD) -> PadObservation:
        """A strip's pad dipped at ``value``; its dye scatters."""
        return self.see(analyte, INDICATORS[analyte].reflectance(value, 1 + rng.normal(0, load_sd)), rng)

    def see(self, analyte: str, reflectance: Array, rng: Rng) -> PadObservation:
        """A pad of that ``reflectance`` (61,); light and gloss stray as much as the reader states."""
        place = np.array([CARD.bed.stop_x + STRIP.pad(analyte).centre, CARD.bed.axis_y])
        stray = rng.normal(0, LIGHT_U) + rng.normal(0, CHANNEL_U, (1, 3))
        counts = self.exposure.counts(reflectance[None], scaled(place[None]), stray, rng)[0]
        # The view would only be asked for pixels, and they are sampled already.
        through = PhotometricModel(cast(CardView, None), self.light, self.learned)
        (seen,) = observations([analyte], [sample(counts)], place[None], through)
        return seen


def scaled(mm: Array) -> Array:
    """Places in millimetres to -1 to 1 over the card."""
    return np.asarray(mm / np.array(CARD.size) * 2 - 1)


def sample(counts: Array) -> PixelSample:
    """An area's sample: its mean, and pixels that scatter by a count."""
    return PixelSample(mean=counts, sd=np.ones(3), n=300, inside=1.0, burnt=0.0)


@cache
def printed(profile: PrintProfile) -> tuple[Array, Array]:
    """Reflectances of everything the reader samples, patches first, then paper; and their places in millimetres."""
    paper = paper_places(CARD)
    spectra = simulator.on_wavelengths(profile, [*CARD.patch_ids, PAPER])
    centres = [(p.x + p.w / 2, p.y + p.h / 2) for p in CARD.patches]
    return np.vstack([spectra[:-1], np.repeat(spectra[-1:], len(paper), axis=0)]), np.array([*centres, *paper])


def shoot(camera: Camera, lamp: str | Array, profile: PrintProfile, rng: Rng, *,
          known: PrintProfile | None = None) -> Shot:
    """A photograph of the card under a lamp of CIE 15 or of a power (61,); print and gloss scatter as stated.

    ``known``: the colours that the reader takes the card to have, where they are not those of the ``profile``.
    """
    reflectance, places = printed(profile)
    power = simulator.lamp(lamp) if isinstance(lamp, str) else lamp
    exposure = simulator.expose(camera, power, reflectance[-1], rng)
    counts = exposure.counts(reflectance, scaled(places), rng.normal(0, SHARE, (len(places), 3)), rng)
    ids = [*CARD.patch_ids, *[PAPER] * (len(places) - len(CARD.patches))]
    samples = [PatchSample(i, (float(x), float(y)), sample(c))
               for i, (x, y), c in zip(ids, places, counts, strict=True)]
    patches, paper = samples[: len(CARD.patches)], samples[len(CARD.patches) :]
    colours = card_colours(known or profile, CARD)
    light = fit_light([p for p in patches if p.id in colours.neutrals] + paper, colours, CARD)
    signals = _signals(patches, light, jpeg_coding_u(exposure.steps))
    return Shot(exposure, light, signals, learn_response(signals, colours))


def calibrated(profile: PrintProfile, rng: Rng) -> dict[str, Curve]:
    """A batch's curves: each level photographed once under each of three lights, with one camera."""
    camera, seen = simulator.camera(rng), dict[str, list[StandardObservation]]()
    for step in range(max(len(i.levels) for i in INDICATORS.values())):
        for lamp in BENCH_LIGHTS:
            shot = shoot(camera, lamp, profile, rng)
            for analyte, indicator in INDICATORS.items():
                if step < len(indicator.levels):
                    value, span = indicator.levels[step], indicator.levels[-1] - indicator.levels[0]
                    seen.setdefault(analyte, []).append(StandardObservation(
                        photo=f"{step}-{lamp}", standard=f"S{step}", light=lamp, value=value,
                        u=CERTIFIED_U[0] * value + CERTIFIED_U[1] * span if analyte != "ph" else 0.01,
                        pad=shot.pad(analyte, value, rng)))
    return {a: fitted(a, STRIP.pad(a).unit, standards).curve for a, standards in seen.items()}


def evidence(chart: Chart) -> Evidence:
    """Three levels of each analyte under two lights that no fit used, each read exactly."""
    return Evidence(expires=date(2999, 12, 31), checks=tuple(
        GateCheck(standard=f"C{level}", analyte=curve.analyte, light=light, known=10.0 * level, u=0.1, zeta=0.0)
        for curve in chart.curves for level in (1, 2, 3) for light in ("lamp 1 of the tests", "lamp 2 of the tests")))


def dyed_pads() -> Array:
    """Reflectances (25, 61) of dyed pads over their whole ranges: no printing ink among them."""
    return np.array([i.reflectance(value) for i in INDICATORS.values()
                     for value in np.linspace(i.levels[0], i.levels[-1], 5)])
