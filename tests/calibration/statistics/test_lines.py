"""Straight lines, their inverse and their fitness, against published worked examples."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from calibration.merit import detection_limits
from calibration.statistics.least_squares import FTest, fit, inverse, lack_of_fit, mandel, parabola, straight

Array = NDArray[np.float64]
DATA = Path(__file__).parents[2] / "data"


def columns(name: str) -> Array:
    return np.loadtxt(DATA / name, delimiter=",", unpack=True)


def test_norris_of_nist_strd() -> None:
    x, y = columns("nist-strd-norris.csv")
    line = fit(straight(x), y)
    assert line.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    assert line.u == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-11)
    assert (line.s, line.rss) == pytest.approx((0.884796396144373, 26.6173985294224), rel=1e-11)


@pytest.mark.parametrize(("number", "slope", "u", "s"), [
    (1, 2.07438016528926, 0.0165289256198347, 3.56753034006338),
    (2, 0.727272727272727, 0.0420827318078432, 0.369274472937998),
])
def test_lines_through_the_origin_of_nist_strd(number: int, slope: float, u: float, s: float) -> None:
    which, x, y = columns("nist-strd-noint.csv")
    line = fit(x[which == number, None], y[which == number])
    assert (line.coefficients[0], line.u[0], line.s) == pytest.approx((slope, u, s), rel=1e-11)


def test_thermometer_of_the_gum() -> None:
    t, b = columns("gum-h3-thermometer.csv")
    line = fit(straight(t - 20), b)
    assert line.coefficients == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert line.u == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert line.covariance[0, 1] / np.prod(line.u) == pytest.approx(-0.930, abs=5e-4)
    assert line.s == pytest.approx(0.0035, abs=5e-5)
    assert line.at(np.array([1.0, 10.0])) == pytest.approx((-0.1494, 0.0041), abs=5e-5)


def test_cadmium_of_quam() -> None:
    c, a = columns("quam-a5-cadmium.csv")
    line = fit(straight(c), a)
    assert line.coefficients == pytest.approx([0.0087, 0.2410], abs=5e-5)
    assert line.u == pytest.approx([0.0029, 0.0050], abs=5e-5)
    found = inverse(line, 0.0714, u_y=line.s / np.sqrt(2))
    assert (found.x, found.u) == pytest.approx((0.26, 0.018), abs=5e-4)


def test_cadmium_of_quam_is_no_straight_line() -> None:
    """Not published: F(3, 10) = 4.885 and Mandel 15.3, both beyond their 95 and 99 % points (3.708, 9.33)."""
    c, a = columns("quam-a5-cadmium.csv")
    test = lack_of_fit(c, a, fitted=fit(straight(c), a))
    bent = mandel(c, a)
    assert test is not None
    assert bent is not None
    assert test.statistic == pytest.approx(4.885, abs=5e-4)
    assert (test.dof1, test.dof2) == (3, 10)
    assert test.p == pytest.approx(0.024, abs=5e-4)
    assert bent.statistic == pytest.approx(15.3, abs=0.05)
    assert (bent.dof1, bent.dof2) == (1, 12)
    assert bent.p < 0.01


@pytest.mark.parametrize(("name", "y", "level", "published"), [
    ("thermometer", 104, 0.95, ("103.995", "103.4", "104.6")),
    ("thermometer", 100, 0.90, ("100.11", "99.63", "100.59")),
    ("dial", 400, 0.99, ("66.52", "65.07", "68.03")),
])
def test_inverse_of_graybill_and_iyer(name: str, y: float, level: float, published: tuple[str, ...]) -> None:
    """The thermometer asks for one new reading, the dial for the mean response itself."""
    x, readings = columns(f"graybill-iyer-{name}.csv")
    line = fit(straight(x), readings)
    found = inverse(line, y, u_y=line.s if name == "thermometer" else 0.0, level=level)
    assert found.interval is not None
    for ours, printed in zip((found.x, *found.interval), published, strict=True):
        assert f"{ours:.{len(printed.partition('.')[2])}f}" == printed


def test_a_flat_line_has_no_finite_inverse() -> None:
    x = np.arange(6.0)
    line = fit(straight(x), np.array([1.0, 1.2, 0.9, 1.1, 1.0, 1.05]))
    assert inverse(line, 1.0, u_y=line.s).interval is None
    assert detection_limits(x, np.array([1.0, 1.2, 0.9, 1.1, 1.0, 1.05])) is None


def test_stated_uncertainties_weigh_and_carry() -> None:
    """ISO/TS 28037:2010, clause 6; SciPy's curve_fit with absolute sigma as the second way."""
    x, y, u = np.arange(1.0, 7.0), np.array([3.2, 4.3, 7.6, 8.6, 11.7, 12.8]), np.array([.5, .5, .5, 1, 1, 1])
    line = fit(straight(x), y, u=u)
    p, covariance = optimize.curve_fit(lambda x, a, b: a + b * x, x, y, sigma=u, absolute_sigma=True)
    assert line.coefficients == pytest.approx(p, rel=1e-7)
    assert line.covariance == pytest.approx(covariance, rel=1e-6)


@pytest.mark.parametrize("offset", [1e3, 1e6, 1e8])
def test_a_line_far_from_zero_keeps_its_intercept(offset: float) -> None:
    """Exact in binary, so the coefficients are known to the last digit; uncertainties by JCGM 100:2008, H.3.3."""
    x = offset + np.arange(8.0)
    for u in (None, np.full(8, 0.5)):
        line = fit(straight(x), 3.0 + 2.0 * x, u=u)
        assert line.coefficients == pytest.approx([3.0, 2.0], rel=1e-14 * offset)
    assert line.u == pytest.approx([0.5 * np.sqrt(1 / 8 + (offset + 3.5) ** 2 / 42), 0.5 / np.sqrt(42)], rel=1e-9)
    with pytest.raises(ValueError, match="do not determine"):
        fit(straight(np.full(8, offset + 0.1)), x)


def test_a_bend_is_found_far_from_zero() -> None:
    x = np.arange(8.0)
    y = 1.0 + x + 0.1 * x**2 + np.array([0.1, -0.2, 0.15, -0.05, 0.1, -0.1, 0.05, -0.05])
    near, far = mandel(x, y), mandel(1e6 + x, y)
    assert near is not None
    assert far is not None
    assert far.statistic == pytest.approx(near.statistic, rel=1e-6)


@pytest.mark.parametrize(("statistic", "dof"), [(50.0, (3, 40)), (1e4, (2, 20)), (1e9, (1, 12))])
def test_small_probabilities_keep_their_digits(statistic: float, dof: tuple[int, int]) -> None:
    assert FTest(statistic, *dof).p == pytest.approx(stats.f.sf(statistic, *dof), rel=1e-9, abs=0.0)


def test_too_few_places_are_refused() -> None:
    with pytest.raises(ValueError, match="do not determine"):
        fit(parabola(np.array([1.0, 1.0, 2.0, 2.0])), np.zeros(4))
    with pytest.raises(ValueError, match="degree of freedom"):
        _ = fit(straight(np.array([1.0, 2.0])), np.zeros(2)).s


def test_detection_limits_miss_and_cry_wolf_as_often_as_they_say() -> None:
    """Simulated over calibrations (ISO 11843-1): blanks above the critical value, samples at x_d below it."""
    rng, x = np.random.default_rng(11843), np.repeat([0.0, 1.0, 2.0, 4.0], 3)
    slope, s, n = 2.0, 0.5, 4000
    alarms = misses = 0
    detectable = 3.784 * s / slope * np.sqrt(1 + 1 / 12 + x.mean() ** 2 / ((x - x.mean()) ** 2).sum())
    for _ in range(n):
        y = 1.0 + slope * x + rng.normal(0, s, len(x))
        line, limits = fit(straight(x), y), detection_limits(x, y)
        assert limits is not None
        blank, sample = ((1.0 + slope * c + rng.normal(0, s) - line.coefficients[0]) / line.coefficients[1]
                         for c in (0.0, detectable))
        alarms += blank > limits.critical
        misses += sample <= limits.critical
    # Binomial sd of 5 % in 4000 is 0.34 %; the estimated slope adds a little.
    assert alarms / n == pytest.approx(0.05, abs=0.012)
    assert misses / n == pytest.approx(0.05, abs=0.02)
