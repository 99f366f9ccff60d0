"""Coverage of intervals on simulated strips, with other cameras and lamps than in the calibration.

Print, gloss, texture and certified values scatter here as much as the reader states, and pads mirror some light;
whether it is so in photographs is tested on photographs. What is tested here is everything that follows from it: light
and tone fitted, the response learned, metamerism, the chart, the veil, and the value with its interval.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import cycle, islice

import numpy as np
import pytest

from calibration.value import OFF_CURVE, PadValue
from shared.profile import PrintProfile
from tests import simulator
from tests.campaign import Design, Lab, fits, photograph, read_pads, water
from tests.simulator import INDICATORS

#: CIE lamps of the sites: daylights, incandescent, white and hybrid LEDs, halophosphate and three-band fluorescents.
SITE_LIGHTS = ("D65", "A", "LED-B2", "LED-B5", "D50", "LED-B1", "LED-B4", "FL2", "FL11", "LED-BH1", "LED-V1", "FL3.4")
CHARTS, PHOTOGRAPHS = 8, 100


@dataclass(frozen=True)
class Read:
    """A pad's true value, what was read, and the lamp."""

    analyte: str
    true: float
    got: PadValue
    lamp: str

    @property
    def held(self) -> bool:
        return self.got.low <= self.true <= self.got.high


@pytest.fixture(scope="module")
def population(sample_profile: PrintProfile) -> list[Read]:
    """800 strips: each a new camera, a lamp in turn, values over the whole range, more of them low."""
    rng, reads, lab = np.random.default_rng(2026), [], Lab(INDICATORS, sample_profile)
    for _ in range(CHARTS):
        curves = {a: fit.curve for a, fit in fits(lab, Design(lights=3, strips=1, cameras=1), rng).items()}
        for lamp in islice(cycle(SITE_LIGHTS), PHOTOGRAPHS):
            true = {analyte: water(indicator, rng) for analyte, indicator in INDICATORS.items()}
            got = read_pads(photograph(lab, lamp, true, (simulator.camera(rng), rng)), curves)
            reads += [Read(a, true[a], value, lamp) for a, value in got.items()]
    return reads


@pytest.fixture(scope="module")
def beyond(sample_profile: PrintProfile) -> list[Read]:
    """60 strips in waters beyond the last standard, on two charts."""
    rng, reads, lab = np.random.default_rng(2028), [], Lab(INDICATORS, sample_profile)
    for _ in range(2):
        curves = {a: fit.curve for a, fit in fits(lab, Design(lights=2, strips=1, cameras=1), rng).items()}
        for lamp in islice(cycle(SITE_LIGHTS), 30):
            beyond_by = {a: rng.uniform(0, 0.15) * (i.levels[-1] - i.levels[0]) for a, i in INDICATORS.items()}
            true = {a: INDICATORS[a].levels[-1] + more for a, more in beyond_by.items()}
            got = read_pads(photograph(lab, lamp, true, (simulator.camera(rng), rng)), curves)
            reads += [Read(a, true[a], value, lamp) for a, value in got.items()]
    return reads


def coverage(reads: list[Read]) -> float:
    return float(np.mean([r.held for r in reads]))


def test_intervals_of_each_analyte_contain_95_in_100(population: list[Read]) -> None:
    """91 to 99 %: five binomial standard deviations of 800, as eight charts pass on their errors to 100 each."""
    found = {a: coverage([r for r in population if r.analyte == a]) for a in INDICATORS}
    assert all(0.91 < share < 0.99 for share in found.values()), found


def test_intervals_of_all_contain_95_in_100(population: list[Read]) -> None:
    """4000 readings: 93.5 to 97 %."""
    assert 0.935 < coverage(population) < 0.97


def test_poor_lamps_give_no_confident_wrong_numbers(population: list[Read]) -> None:
    """Three narrow bands (FL11) cover at least 90 %, and with wider intervals than daylight."""
    def of(lamp: str) -> list[Read]:
        return [r for r in population if r.lamp == lamp and r.got.status == "measured"]

    assert coverage(of("FL11")) > 0.90
    widths = [np.median([(r.got.high - r.got.low) / INDICATORS[r.analyte].levels[-1] for r in of(lamp)])
              for lamp in ("FL11", "D65")]
    assert widths[0] > widths[1]


def test_coverage_at_the_ends_of_the_range(population: list[Read]) -> None:
    """In the lowest and the highest tenth, whatever the status: 90 % or more of some 1000 and 300."""
    def end(inside: Callable[[float], bool]) -> list[Read]:
        return [r for r in population if inside((r.true - INDICATORS[r.analyte].levels[0])
                                                / (INDICATORS[r.analyte].levels[-1] - INDICATORS[r.analyte].levels[0]))]

    for reads in (end(lambda x: x < 0.1), end(lambda x: x > 0.9)):
        assert len(reads) > 200
        assert coverage(reads) > 0.90


def test_values_just_beyond_the_last_standard_are_covered(beyond: list[Read]) -> None:
    """Up to 15 % of the range beyond: at least 90 % of 300, and half of them bounded on both sides."""
    assert coverage(beyond) > 0.90
    assert np.mean([r.got.status == "measured" for r in beyond]) > 0.5


def test_off_curve_is_a_chi_square(population: list[Read]) -> None:
    """Good pads refused as off the chart: 1 in 1000 by the border, below 1 in 100 as found; mean near 2."""
    chi_square = np.array([r.got.off_curve for r in population])
    assert np.mean(chi_square > OFF_CURVE) < 0.01
    assert 1.5 < chi_square.mean() < 2.6


def test_budgets_predict_the_size_of_errors(population: list[Read]) -> None:
    """Errors in units of the budget's sum have a standard deviation near 1 (robust, values inside the range)."""
    read = [r for r in population if r.got.status == "measured"]
    z = [(r.got.value - r.true) / np.sqrt(sum(p.u**2 for p in r.got.budget)) for r in read]
    robust = 1.4826 * np.median(np.abs(np.array(z) - np.median(z)))
    assert 0.8 < robust < 1.15
    assert abs(np.median(z)) < 0.15
