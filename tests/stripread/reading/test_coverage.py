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

from calibration.curve import Curve
from calibration.value import OFF_CURVE, PadValue, correlations
from shared.estimate import Correlation
from shared.profile import PrintProfile
from tests import simulator
from tests.campaign import SERIES, Design, Lab, fits, photograph, read_pads, water
from tests.loops import some
from tests.simulator import INDICATORS

#: CIE lamps of the sites: daylights, incandescent, white and hybrid LEDs, halophosphate and three-band fluorescents.
SITE_LIGHTS = ("D65", "A", "LED-B2", "LED-B5", "D50", "LED-B1", "LED-B4", "FL2", "FL11", "LED-BH1", "LED-V1", "FL3.4")
CHARTS, PHOTOGRAPHS = 8, 48
#: All analytes certified in one solution: fewer photographs, and one analyte's chart knows nothing of another's.
TOGETHER = (tuple(a for series in SERIES for a in series),)
#: Standard deviation of a chart's coverage: at most 15 % of charts and analytes are to lie below 91 % (95 % - 1.04 s).
CHART_SD = 0.04 / 1.04


def least_and_most(reads: int, charts: int) -> tuple[float, float]:
    """Within which the coverage of readings on charts lies with probability 99 %, where intervals are right.

    Up to 98 % is allowed: charts of one strip a level under few lights are somewhat safe (`tests.bench.intervals`).
    """
    sd = np.sqrt(0.95 * 0.05 / reads + CHART_SD**2 / charts)
    return 0.95 - 2.576 * sd, min(1.0, max(0.98, 0.95 + 2.576 * sd))


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

    @property
    def z(self) -> float:
        """The error in units of the budget's sum."""
        return float((self.got.value - self.true) / np.sqrt(sum(p.u**2 for p in self.got.budget)))


@pytest.fixture(scope="module")
def lab(sample_profile: PrintProfile) -> Lab:
    return Lab(INDICATORS, sample_profile)


@pytest.fixture(scope="module")
def charts(lab: Lab) -> list[dict[str, Curve]]:
    """The curves of eight charts, each with a camera of its own."""
    rng, design = np.random.default_rng(2026), Design(lights=3, strips=1, cameras=1)
    return [{a: fit.curve for a, fit in fits(lab, design, rng, TOGETHER).items()} for _ in range(CHARTS)]


@pytest.fixture(scope="module")
def photographs(lab: Lab, charts: list[dict[str, Curve]]) -> list[tuple[dict[str, Read], tuple[Correlation, ...]]]:
    """384 strips: each a new camera, a lamp in turn, values over the whole range, more of them low."""
    rng, found = np.random.default_rng(2027), []
    for curves in charts:
        for lamp in islice(cycle(SITE_LIGHTS), PHOTOGRAPHS):
            true = {analyte: water(indicator, rng) for analyte, indicator in INDICATORS.items()}
            pads = photograph(lab, lamp, true, (simulator.camera(rng), rng))
            got = read_pads(pads, curves)
            found.append(({a: Read(a, true[a], value, lamp) for a, value in got.items()}, correlations(pads, got)))
    return found


@pytest.fixture(scope="module")
def population(photographs: list[tuple[dict[str, Read], tuple[Correlation, ...]]]) -> list[Read]:
    """The readings of all strips."""
    return [read for reads, _ in photographs for read in reads.values()]


@pytest.fixture(scope="module")
def beyond(lab: Lab, charts: list[dict[str, Curve]]) -> list[Read]:
    """96 strips in waters beyond the last standard."""
    rng, reads = np.random.default_rng(2028), []
    for curves in charts:
        for lamp in SITE_LIGHTS:
            beyond_by = {a: rng.uniform(0, 0.15) * (i.levels[-1] - i.levels[0]) for a, i in INDICATORS.items()}
            true = {a: INDICATORS[a].levels[-1] + more for a, more in beyond_by.items()}
            got = read_pads(photograph(lab, lamp, true, (simulator.camera(rng), rng)), curves)
            reads += [Read(a, true[a], value, lamp) for a, value in got.items()]
    return reads


def coverage(reads: list[Read]) -> float:
    return float(np.mean([r.held for r in reads]))


def test_intervals_of_each_analyte_contain_95_in_100(population: list[Read]) -> None:
    low, high = least_and_most(CHARTS * PHOTOGRAPHS, CHARTS)
    found = {a: coverage([r for r in population if r.analyte == a]) for a in INDICATORS}
    assert all(low < share < high for share in some(found.values())), found


def test_intervals_of_all_contain_95_in_100(population: list[Read]) -> None:
    """Charts of five analytes: 40 of them."""
    low, high = least_and_most(len(population), CHARTS * len(INDICATORS))
    assert low < coverage(population) < high


def test_poor_lamps_give_no_confident_wrong_numbers(population: list[Read]) -> None:
    """Three narrow bands (FL11) cover no less, and with wider intervals than daylight."""
    def of(lamp: str) -> list[Read]:
        return [r for r in population if r.lamp == lamp and r.got.status == "measured"]

    assert coverage(of("FL11")) > least_and_most(len(of("FL11")), CHARTS * len(INDICATORS))[0]
    widths = [np.median([(r.got.high - r.got.low) / INDICATORS[r.analyte].levels[-1] for r in of(lamp)])
              for lamp in ("FL11", "D65")]
    assert widths[0] > widths[1]


def test_coverage_at_the_ends_of_the_range(population: list[Read]) -> None:
    """In the lowest and the highest tenth, whatever the status."""
    def end(inside: Callable[[float], bool]) -> list[Read]:
        return [r for r in population if inside((r.true - INDICATORS[r.analyte].levels[0])
                                                / (INDICATORS[r.analyte].levels[-1] - INDICATORS[r.analyte].levels[0]))]

    for reads in (end(lambda x: x < 0.1), end(lambda x: x > 0.9)):
        assert len(reads) > 100
        assert coverage(reads) > least_and_most(len(reads), CHARTS * len(INDICATORS))[0]


def test_values_just_beyond_the_last_standard_are_covered(beyond: list[Read]) -> None:
    """Up to 15 % of the range beyond; half of them bounded on both sides."""
    assert coverage(beyond) > least_and_most(len(beyond), CHARTS * len(INDICATORS))[0]
    assert np.mean([r.got.status == "measured" for r in beyond]) > 0.5


def test_off_curve_is_a_chi_square(population: list[Read]) -> None:
    """Good pads refused as off the chart: 1 in 1000 by the border, below 1 in 100 as found; mean near 2."""
    chi_square = np.array([r.got.off_curve for r in population])
    assert np.mean(chi_square > OFF_CURVE) < 0.01
    assert 1.5 < chi_square.mean() < 2.6


def test_budgets_predict_the_size_of_errors(population: list[Read]) -> None:
    """Errors in units of the budget's sum have a standard deviation near 1 (robust, values inside the range)."""
    z = [r.z for r in population if r.got.status == "measured"]
    robust = 1.4826 * np.median(np.abs(np.array(z) - np.median(z)))
    assert 0.8 < robust < 1.15
    assert abs(np.median(z)) < 0.15


def test_errors_of_one_photograph_are_correlated_as_stated(
        photographs: list[tuple[dict[str, Read], tuple[Correlation, ...]]]) -> None:
    """Products of two pads' errors against their stated correlation: a line through the origin of slope 1.

    Within 2.576 standard errors: products of unit normal errors of correlation r have variance 1 + r^2. Errors beyond 3
    count as 3, since single values lie at an end of the range.
    """
    stated, products = np.array([(c.r, np.prod([np.clip(reads[a].z, -3, 3) for a in c.analytes]))
                                 for reads, alike in photographs for c in alike]).T
    slope = stated @ products / (stated @ stated)
    error = np.sqrt((stated**2 * (1 + stated**2)).sum()) / (stated @ stated)
    assert abs(slope - 1) < 2.576 * error
