"""Dye of a strip compared with the chart's, on simulated pads."""

from collections.abc import Iterable
from itertools import accumulate

import numpy as np
import pytest

from calibration.common_effects import CHART_U, LIMIT, SEQUENCE, SOUGHT, DyeLoad, StripSequence, dye_load, pooled
from calibration.curve import Curve
from calibration.statistics.change import alarm_probability, cusum
from shared.profile import PrintProfile
from tests import simulator
from tests.loops import some
from tests.simulator import INDICATORS
from tests.synthetic import shoot

WATER = {"hardness": 90.0, "alkalinity": 70.0, "ph": 7.5, "chloride": 120.0, "chlorine": 1.5}


def loads(profile: PrintProfile, curves: dict[str, Curve], dye: float) -> list[DyeLoad]:
    """Strips of that share of dye in sixteen photographs, each by another camera."""
    found = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        shot = shoot(simulator.camera(rng), ("D65", "LED-B2", "LED-B5")[seed % 3], profile, rng)
        pads = {a: shot.see(a, INDICATORS[a].reflectance(v, dye * (1 + rng.normal(0, simulator.LOAD_SD))), rng)
                for a, v in WATER.items()}
        load = dye_load(pads, curves)
        assert load is not None
        found.append(load)
    return found


@pytest.mark.parametrize("dye", [1.0, 0.88, 1.12])
def test_the_difference_is_found_within_its_uncertainty(
        curves: dict[str, Curve], sample_profile: PrintProfile, dye: float) -> None:
    """Each within three of its uncertainties; four strips together show 12 % more or less, and nothing else."""
    found = loads(sample_profile, curves, dye)
    assert all(abs(one.difference - (dye - 1)) < 3 * one.u for one in some(found))
    assert all(one.u < 0.1 for one in some(found))
    four = [pooled(found[k : k + 4]) for k in range(0, 16, 4)]
    assert [one.unlike for one in four if one is not None] == [dye != 1.0] * 4


def test_pooled_strips_are_known_better_but_for_the_chart() -> None:
    """JCGM 100:2008, 5.1.2: means of four, and what the chart adds does not shrink."""
    one = DyeLoad(0.04, 0.06)
    assert pooled([one]) == one
    many = pooled([one] * 4)
    assert many is not None
    assert (many.difference, many.u) == pytest.approx((0.04, np.hypot(0.03, 0.015)))
    assert pooled([]) is None


def test_too_few_pads_show_nothing(curves: dict[str, Curve], sample_profile: PrintProfile) -> None:
    rng = np.random.default_rng(0)
    shot = shoot(simulator.camera(rng), "D65", sample_profile, rng)
    assert dye_load({a: shot.pad(a, WATER[a], rng) for a in ("hardness", "ph")}, curves) is None


def after(loads: Iterable[DyeLoad]) -> list[StripSequence]:
    """The sequence after each strip."""
    return list(accumulate(loads, StripSequence.followed_by, initial=StripSequence()))[1:]


def test_strips_of_a_tube_are_summed_as_by_page() -> None:
    """`cusum`, which is tested against published tables, of the same values; and the mean of `pooled`."""
    rng = np.random.default_rng(2)
    loads = [DyeLoad(d, 0.06) for d in rng.normal(-0.1, 0.06, 30).tolist()]
    found, unit = after(loads), SOUGHT / 0.06
    published = cusum(np.array([load.difference / load.u for load in loads]), reference=unit / 2, limit=LIMIT / unit,
                      head_start=LIMIT / unit / 2)
    assert [(s.more, s.less) for s in found] == [
        pytest.approx((high * unit, low * unit)) for high, low in zip(published.high, published.low, strict=True)]
    assert [s.unlike for s in found].index(True) == published.first
    whole = pooled(loads)
    assert whole is not None
    assert found[-1].difference == pytest.approx(whole.difference)


@pytest.mark.parametrize("u", [0.04, 0.055, 0.08])
def test_one_tube_in_a_hundred_gives_a_false_alarm_at_most(u: float) -> None:
    """Markov chain of Brook and Evans (1972); the chart's common error averaged over its normal distribution."""
    places, weights = np.polynomial.hermite_e.hermegauss(15)
    unit = SOUGHT / u
    alarms = [2 * alarm_probability(SEQUENCE, place * CHART_U / u, reference=unit / 2, limit=LIMIT / unit,
                                    head_start=LIMIT / unit / 2) for place in places.tolist()]
    assert weights @ np.minimum(alarms, 1.0) / weights.sum() == pytest.approx(0.01, abs=0.002)


def test_a_tube_that_changes_later_is_found() -> None:
    """Twenty strips like the chart's, then 12 % less dye: within eight more."""
    found = after([DyeLoad(0.0, 0.056)] * 20 + [DyeLoad(-SOUGHT, 0.056)] * 8)
    assert not any(s.unlike for s in found[:20])
    assert found[-1].unlike
    assert (found[-1].strips, found[0].tube) == (28, None)
