"""Cards without a card profile: print runs that differ from the design widen intervals and name no fault."""

from dataclasses import replace
from functools import lru_cache
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.chart import Chart
from calibration.value import OFF_CURVE, PadValue, value_of
from shared.analytes import ANALYTES
from shared.card import BED
from shared.colour import WAVELENGTHS_NM, srgb_decode, srgb_encode
from shared.profile import PrintProfile, nominal
from tests import simulator
from tests.photographs import SAMPLES, Mask, Picture, picture, truth_of
from tests.print_runs import random_gains, with_dot_gain
from tests.reader import Reader, all_flags
from tests.simulator import INDICATORS, Array
from tests.synthetic import CARD, STRIP, calibrated, shoot

LAMPS = ("D65", "A", "LED-B2", "LED-B5", "D50", "LED-B4", "FL2", "LED-BH1")
CHARTS, PHOTOGRAPHS = 3, 24


@pytest.fixture(scope="module")
def population(sample_profile: PrintProfile) -> list[tuple[float, PadValue]]:
    """True value and what was read, 360 pads: each photograph another camera and print run, none of them measured."""
    rng, reads = np.random.default_rng(2027), []
    for number in range(CHARTS * PHOTOGRAPHS):
        if number % PHOTOGRAPHS == 0:
            curves = calibrated(sample_profile, rng)
        run = with_dot_gain(sample_profile, CARD, random_gains(rng))
        shot = shoot(simulator.camera(rng), LAMPS[number % len(LAMPS)], run, rng, known=nominal(CARD))
        for analyte, indicator in INDICATORS.items():
            low, high = indicator.levels[0], indicator.levels[-1]
            true = low + (high - low) * rng.random() ** rng.choice([1.0, 2.5])
            limits = ANALYTES[analyte].lower, ANALYTES[analyte].upper
            pad = shot.pad(analyte, true, rng)
            reads.append((true, value_of(pad, curves[analyte], STRIP.pad(analyte).chemistry, limits)))
    return reads


def test_pads_are_evaluated(population: list[tuple[float, PadValue]]) -> None:
    assert np.mean([got.off_curve <= OFF_CURVE for _, got in population]) >= 0.90


def test_intervals_contain_the_true_value(population: list[tuple[float, PadValue]]) -> None:
    assert np.mean([got.low <= true <= got.high for true, got in population]) >= 0.92


def test_recoloured_cards_are_read(sample_chart: Chart, sample_profile: PrintProfile) -> None:
    """Sample photographs whose patches and bed show other print runs: no fault is found that does not exist.

    Coverage is that of all runs together: all photographs of one run share its error.
    """
    reader = Reader(sample_chart, ())
    held, evaluated = [], []
    runs = [with_dot_gain(sample_profile, CARD, np.full(4, gain)) for gain in GAINS]
    changes = [np.array([change(run, sample_profile, name) for name in PRINTED]) for run in runs]
    for path, ratio in product(PHOTOGRAPHS_READ, changes):
        photo, places = printed(path)
        reading = reader.read(recoloured(photo, places, ratio))
        assert all_flags(reading) - LIGHT <= {"profile-missing", "below-range", "above-range", "too-uncertain"}
        assert "profile-missing" in reading.flags
        values = {a: pad["value"] for a, pad in truth_of(path)["pads"].items()}
        evaluated += [p.value is not None for p in reading.pads]
        held += [e.low <= values[e.analyte] <= e.high for e in reading.values()]
    assert np.mean(evaluated) >= 0.90
    assert np.mean(held) >= 0.92


#: Photographs under three lights and by three cameras, and flags of light that are true of some of them.
PHOTOGRAPHS_READ = sorted([*(SAMPLES / "checks").glob("C0?-*.jpg"), *(SAMPLES / "standards").glob("C0?-window.jpg")])
LIGHT = {"mixed-light", "poor-light"}
#: Dot gains of the print runs, at half coverage.
GAINS = (-0.06, 0.07, 0.15)
#: Middle and width, nm, of the bands in which a camera's red, green and blue see a printed area change.
BANDS = ((600.0, 35.0), (540.0, 35.0), (460.0, 30.0))
#: Blur of the strip's edge, mm.
EDGE = 0.4


#: What another print run changes: patches and bed.
PRINTED = [*CARD.patch_ids, BED]


@lru_cache(maxsize=1)
def printed(path: Path) -> tuple[Picture, NDArray[np.intp]]:
    """A photograph, and at each pixel (h, w) which of PRINTED it shows; -1 elsewhere, the strip included."""
    photo, truth = picture(path), truth_of(path)
    places = np.full(photo.pixels.shape[:2], -1)
    for number, p in enumerate(CARD.patches):
        places[photo.within((p.x, p.y, p.w, p.h))] = number
    bed = photo.within((CARD.bed.x, CARD.bed.y, CARD.bed.w, CARD.bed.h)) & ~on_strip(photo, truth)
    places[bed] = PRINTED.index(BED)
    return photo, places


def recoloured(photo: Picture, places: NDArray[np.intp], ratio: Array) -> Picture:
    """The photograph with the light of each of PRINTED times its ``ratio`` (n, 3); ``places`` as above."""
    pixels, seen = photo.pixels.copy(), places >= 0
    light = srgb_decode(pixels[seen] / 255.0) * ratio[places[seen]]
    pixels[seen] = np.rint(srgb_encode(np.minimum(light, 1.0)) * 255)
    return replace(photo, pixels=pixels)


def change(run: PrintProfile, before: PrintProfile, name: str) -> Array:
    """By how much a printed area's light changes (3,) in red, green and blue."""
    new, old = (p.spectra_of([name]) for p in (run, before))
    assert new is not None
    assert old is not None
    bands = np.array([np.exp(-0.5 * ((WAVELENGTHS_NM - middle) / width) ** 2) for middle, width in BANDS])
    return np.asarray((bands @ new[0]) / (bands @ old[0]))


def on_strip(photo: Picture, truth: dict[str, Any]) -> Mask:
    """Which pixels show the strip: the line through its pads, a blurred edge wider than it is."""
    centres = np.array([truth["pads"][pad.analyte]["card_mm"] for pad in STRIP.pads])
    along = (centres[-1] - centres[0]) / np.linalg.norm(centres[-1] - centres[0])
    off = photo.mm - (centres[0] - STRIP.pads[0].centre * along)
    distance, across = off @ along, off @ np.array([-along[1], along[0]])
    return np.asarray((distance > -EDGE) & (distance < STRIP.length + EDGE) & (np.abs(across) < STRIP.width / 2 + EDGE))
