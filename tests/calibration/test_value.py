"""A pad's value, its interval and its budget, held against Monte Carlo and chi-square."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from calibration.common_effects import Veil, own_parts
from calibration.curve import Curve
from calibration.observation import PadObservation
from calibration.value import OFF_CURVE, SHARED_PARTS, PadValue, parts_at, value_of
from shared.analytes import ANALYTES
from shared.profile import PrintProfile
from shared.strip import IntrinsicU
from tests import simulator
from tests.loops import some
from tests.simulator import INDICATORS, Array
from tests.synthetic import Shot, shoot

NONE = IntrinsicU(relative=0.0, absolute=0.0)
#: A place well inside each range.
PLACES = {"hardness": 90.0, "alkalinity": 70.0, "ph": 7.5, "chloride": 120.0, "chlorine": 1.5}
DRAWS = 400


@pytest.fixture(scope="module")
def shot(sample_profile: PrintProfile) -> Shot:
    return shoot(simulator.camera(np.random.default_rng(4)), "LED-B1", sample_profile, np.random.default_rng(4))


def read(pad: PadObservation, curve: Curve, chemistry: IntrinsicU = NONE) -> PadValue:
    limits = ANALYTES[curve.analyte]
    return value_of(pad, curve, chemistry, (limits.lower, limits.upper))


def on_curve(shot: Shot, curve: Curve, value: float) -> PadObservation:
    """A pad that looks exactly as the curve says, in this photograph."""
    seen = shot.pad(curve.analyte, value, np.random.default_rng(0))
    weights = curve.weights_at(np.atleast_1d(curve.scale.position(value)))[0]
    return replace(seen, signal=seen.response.signal(weights))


def moved(pad: PadObservation, by: Array) -> PadObservation:
    return replace(pad, signal=pad.signal + by)


def covariances(pad: PadObservation, curve: Curve, value: float) -> dict[str, Array]:
    """The signals' covariances (3, 3) at a value, by what causes them."""
    at = int(np.argmin(np.abs(curve.grid - float(curve.scale.position(value)))))
    return parts_at(pad, curve, Veil(0.0, curve.veil_sd), at)


@settings(max_examples=40)
@given(analyte=st.sampled_from(sorted(INDICATORS)), share=st.floats(0.05, 0.95))
def test_a_pad_on_the_curve_gives_its_value(curves: dict[str, Curve], shot: Shot, analyte: str, share: float) -> None:
    """To a quarter of its standard uncertainty: the more certain side of the curve is likelier."""
    curve = curves[analyte]
    value = float(curve.scale.value(share))
    got = read(on_curve(shot, curve, value), curve)
    u = np.sqrt(sum(p.u**2 for p in got.budget))
    assert got.low < value < got.high
    assert abs(got.value - value) < 0.25 * u
    assert got.off_curve < 0.05


@pytest.mark.parametrize("analyte", ["hardness", "ph", "chlorine"])
def test_budget_agrees_with_monte_carlo_part_by_part(curves: dict[str, Curve], shot: Shot, analyte: str) -> None:
    """Signals drawn from each part alone scatter the value by that part's standard uncertainty (JCGM 100 and 101).

    400 draws know a standard deviation to 4 %; bent curves and covariances that change along them add to that: 15 %,
    and 2 % of the whole for parts that hardly matter.
    """
    curve, rng = curves[analyte], np.random.default_rng(5)
    pad = on_curve(shot, curve, PLACES[analyte])
    budget = {p.name: p.u for p in read(pad, curve).budget}
    whole = np.sqrt(sum(u**2 for u in budget.values()))
    for name, covariance in some(covariances(pad, curve, PLACES[analyte]).items()):
        draws = rng.multivariate_normal(np.zeros(3), covariance, DRAWS, method="eigh")
        values = np.array([read(moved(pad, by), curve).value for by in draws])
        assert values.std() == pytest.approx(budget[name], rel=0.15, abs=0.02 * whole), name


@pytest.mark.parametrize("analyte", PLACES)
def test_interval_agrees_with_monte_carlo(curves: dict[str, Curve], shot: Shot, analyte: str) -> None:
    """95 % of values drawn from all parts lie in an interval as wide as the one stated, to a quarter (JCGM 101, 8)."""
    curve, rng = curves[analyte], np.random.default_rng(6)
    pad = on_curve(shot, curve, PLACES[analyte])
    got = read(pad, curve)
    total = np.sum(list(covariances(pad, curve, PLACES[analyte]).values()), axis=0)
    values = [read(moved(pad, by), curve).value for by in rng.multivariate_normal(np.zeros(3), total, DRAWS)]
    low, high = np.quantile(values, [0.025, 0.975])
    assert (got.high - got.low) / (high - low) == pytest.approx(1.0, abs=0.25)
    assert np.mean([(got.low < v < got.high) for v in values]) == pytest.approx(0.95, abs=0.03)


def test_off_curve_is_chi_square_of_two(curves: dict[str, Curve], shot: Shot) -> None:
    """Kolmogorov-Smirnov against chi-square with 2 degrees of freedom: three signals less the one value."""
    assert stats.chi2.isf(0.001, 2) == pytest.approx(OFF_CURVE)
    curve, rng = curves["hardness"], np.random.default_rng(7)
    pad = on_curve(shot, curve, PLACES["hardness"])
    total = np.sum(list(covariances(pad, curve, PLACES["hardness"]).values()), axis=0)
    off = [read(moved(pad, by), curve).off_curve for by in rng.multivariate_normal(np.zeros(3), total, DRAWS)]
    assert stats.kstest(off, stats.chi2(2).cdf).pvalue > 0.01


def test_chemistry_adds_in_quadrature(curves: dict[str, Curve], shot: Shot) -> None:
    """The strip's intrinsic uncertainty, 5 % of the value and 2 mg/L: both half widths grow as JCGM 100, 5.1.2 says."""
    curve = curves["alkalinity"]
    pad = on_curve(shot, curve, 70.0)
    plain, doubted = read(pad, curve), read(pad, curve, IntrinsicU(relative=0.05, absolute=2.0))
    u = np.hypot(0.05 * plain.value, 2.0)
    assert doubted.value - doubted.low == pytest.approx(np.hypot(plain.value - plain.low, 1.959964 * u))
    assert doubted.high - doubted.value == pytest.approx(np.hypot(plain.high - plain.value, 1.959964 * u))
    assert {p.name: p.u for p in doubted.budget}["strip chemistry"] == pytest.approx(u)


def test_lighting_mismatch_contains_the_product_of_errors(curves: dict[str, Curve], shot: Shot) -> None:
    """Random errors of response and spectrum: variance of the signals that both together cause, to 3 %."""
    curve, rng = curves["hardness"], np.random.default_rng(4)
    pad = on_curve(shot, curve, PLACES["hardness"])
    i = curve.grid_weights.shape[0] // 2
    mean, spread = curve.grid_weights[i], curve.grid_covariance[i]
    stated = curve.at_grid_point(own_parts(pad, curve)["lighting mismatch"], i)
    weights = np.column_stack([np.ones(20_000), rng.multivariate_normal(mean, spread, 20_000)])
    for channel in range(3):
        response = rng.multivariate_normal(np.zeros(13), pad.response.mismatch[channel], len(weights))
        assert (response * weights).sum(axis=1).var() == pytest.approx(stated[channel, channel], rel=0.03)
    alone = pad.response.variance(pad.response.mismatch, mean)
    assert (np.diag(stated) > 1.01 * alone).any(), "the product counts"


def test_shared_parts_are_those_that_replicates_share(curves: dict[str, Curve], shot: Shot) -> None:
    got = read(on_curve(shot, curves["ph"], 7.5), curves["ph"])
    shared = {p.name for p in got.budget if p.shared}
    assert shared == SHARED_PARTS | {"strip chemistry"}
    own = {p.name for p in got.budget} - shared
    assert own == {"pad pixels", "pad texture", "light field", "colour correction", "strip repeatability",
                   "surface reflection"}


@pytest.mark.parametrize("analyte", INDICATORS)
def test_beyond_the_curve_is_never_a_number(curves: dict[str, Curve], shot: Shot, analyte: str) -> None:
    """A pad past either end of the curve: the range's end, and everything up to the analyte's physical limit."""
    curve, limits = curves[analyte], ANALYTES[analyte]
    for position, step in ((curve.reach, -0.05), (0.0, 0.05)):
        end, inside = (float(v) for v in curve.scale.value(np.array([position, position + step])))
        at, near = (on_curve(shot, curve, v).signal for v in (end, inside))
        got = read(moved(on_curve(shot, curve, end), 1.5 * (at - near)), curve)
        if step < 0:
            assert (got.status, got.high) == ("above", limits.upper)
            assert got.low <= got.value == pytest.approx(curve.scale.high)
        elif curve.scale.low > limits.lower:
            assert (got.status, got.low) == ("below", limits.lower)
            assert got.value == pytest.approx(curve.scale.low)
        else:
            assert (got.status, got.low) == ("measured", limits.lower)


@pytest.mark.parametrize("analyte", INDICATORS)
def test_just_beyond_the_last_standard(curves: dict[str, Curve], shot: Shot, analyte: str) -> None:
    """A value 5 % of the range higher: bounded on both sides and marked as extrapolated, or above, and covered."""
    curve = curves[analyte]
    value = curve.scale.high + 0.05 * (curve.scale.high - curve.scale.low)
    got = read(on_curve(shot, curve, value), curve)
    assert got.low < value < got.high
    assert got.extrapolated is (got.status == "measured" and got.value > curve.scale.high)
    spread = np.trace(curve.grid_covariance, axis1=1, axis2=2)
    assert spread[-1] > 1.05 * spread[int(np.argmin(np.abs(curve.grid - 1.0)))]


@settings(max_examples=60)
@given(analyte=st.sampled_from(sorted(INDICATORS)), signal=st.lists(st.floats(-0.2, 1.5), min_size=3, max_size=3))
def test_whatever_the_signals(curves: dict[str, Curve], shot: Shot, analyte: str, signal: list[float]) -> None:
    """Any colour at all: ordered, finite, within physical limits."""
    pad = on_curve(shot, curves[analyte], PLACES[analyte])
    got = read(moved(pad, np.array(signal) - pad.signal), curves[analyte])
    limits = ANALYTES[analyte]
    assert limits.lower <= got.low <= got.value <= got.high <= limits.upper
    assert np.isfinite([got.off_curve, *(p.u for p in got.budget)]).all()
