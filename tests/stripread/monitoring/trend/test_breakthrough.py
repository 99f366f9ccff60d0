"""Exhaustion of simulated filters: invented lives, strips with typical uncertainty, one change of batch."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.statistics.least_squares import MeasuredValues
from stripread.monitoring.trend.breakthrough import SHAPES, CurveShape, EffluentSeries, breakthrough
from stripread.monitoring.trend.change_points import Segment
from stripread.monitoring.trend.drift import Drift, drift
from stripread.monitoring.trend.series import Series

Array = NDArray[np.float64]
Rng = np.random.Generator
RENEWED = datetime(2025, 1, 6, 9, 0, tzinfo=UTC)
DAY = RENEWED.date()

#: Share that passes along the curve, half of it at 0: the first is fitted, the second is not, the third is one of
#: the shapes tried in addition to the first.
TRUTHS: dict[str, Callable[[Array], Array]] = {
    "logistic": lambda x: 1.0 / (1.0 + np.exp(-np.clip(x, -60, 60))),
    "normal": lambda x: np.vectorize(NormalDist().cdf)(x / 1.6),
    "straight": lambda x: np.clip(0.5 + x / 5.0, 0.0, 1.0),
}


class Errors(NamedTuple):
    """Standard deviations as shares of the value: a strip's own, besides 2 mg/L, and its chart's."""

    own: float = 0.04
    chart: float = 0.02


USUAL = Errors()


class Told(NamedTuple):
    """The drift reported for a filter, and the true day on which half passed."""

    drift: Drift
    true: float


def measured(days: Array, true: Array, rng: Rng, errors: Errors = USUAL) -> Series:
    """Weekly strip values, on another batch from some day on; uncertainties evaluated at the measured value."""
    chart = (days > rng.uniform(0.0, days[-1])).astype(np.int64)
    shared = rng.standard_normal(2)[chart]
    scattered = true + np.hypot(2.0, errors.own * true) * rng.standard_normal(len(days))
    value = np.maximum(scattered + errors.chart * true * shared, 0.0)
    return Series(analyte="alkalinity", at=tuple(RENEWED + timedelta(days=d) for d in days.tolist()), value=value,
                  u_own=np.hypot(2.0, errors.own * value), u_common=errors.chart * value, chart=chart)


def a_filter(rng: Rng, truth: Callable[[Array], Array], errors: Errors) -> Told:
    """Any size, steepness and water; evaluated between a third of its life and just after its end."""
    half, steep = np.exp(rng.uniform(np.log([60.0, 4.0]), np.log([400.0, 30.0])))
    base, mains = rng.uniform(10.0, 60.0), rng.uniform(150.0, 350.0)
    days = np.arange(3.0, half * rng.uniform(0.35, 1.1), 7.0)
    life = measured(days, base + (mains - base) * truth(steep * (days / half - 1.0)), rng, errors)
    u = 0.03 * mains
    read = mains + u * rng.standard_normal()
    level = Segment(since=DAY, until=DAY, value=read, u=u, low=read - 1.96 * u, high=read + 1.96 * u)
    found, _ = drift(life, RENEWED, mains=level, removes=True)
    return Told(found, half)


def days_to(day: date) -> int:
    return (day - DAY).days


@pytest.mark.parametrize(("name", "errors"), [*((name, USUAL) for name in TRUTHS), ("logistic", Errors(0.1, 0.1))])
def test_exhaustion_intervals_contain_the_true_date(name: str, errors: Errors) -> None:
    rng = np.random.default_rng([1984, *name.encode()])
    filters = [a_filter(rng, TRUTHS[name], errors) for _ in range(160)]
    predicted = [(f.drift.exhaustion, f.true) for f in filters if f.drift.exhaustion]
    inside = sum(days_to(e.earliest) - 1 <= true <= days_to(e.latest) + 1 for e, true in predicted)
    error = np.median([abs(days_to(e.on) - true) / true for e, true in predicted])
    assert len(predicted) > 40
    # 95 %, less three standard deviations of a binomial of the smallest number of dates.
    assert inside / len(predicted) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(predicted))
    assert error < 0.05


def test_an_unexhausted_filter_gets_no_date_and_rarely_an_alarm() -> None:
    """Unchanged water for a year: one sum upwards gives 51 / 930 = 5.5 % false alarms; three standard deviations."""
    rng = np.random.default_rng(465)
    days = np.arange(3.0, 365.0, 7.0)
    rising = 0
    for _ in range(200):
        sums = measured(days, np.full(len(days), 40.0), rng).cusum
        rising += sums.first is not None and sums.upwards
    assert rising / 200 < 0.055 + 3 * np.sqrt(0.055 * 0.945 / 200)


def test_a_new_batch_is_not_a_drift() -> None:
    """The second batch reads 8 mg/L higher, within its chart's uncertainty; without that it gives an alarm."""
    days = np.arange(0.0, 200.0, 7.0)
    value = np.where(days > 90, 48.0, 40.0)
    at = tuple(RENEWED + timedelta(days=d) for d in days.tolist())
    ones = np.ones(len(days))
    life = Series(analyte="alkalinity", at=at, value=value, u_own=2 * ones, u_common=6 * ones,
                  chart=(days > 90).astype(np.int64))
    assert life.cusum.first is None
    unaware = Series(analyte="alkalinity", at=at, value=value, u_own=2 * ones, u_common=6 * ones,
                     chart=np.zeros(len(days), dtype=np.int64))
    assert unaware.cusum.first is not None


def test_a_drift_without_exhaustion_is_reported_as_a_slope() -> None:
    """A membrane whose leakage rises by 3 mg/L in 30 days; the predicted interval has its nominal coverage."""
    rng, inside, predicted, reported = np.random.default_rng(102), 0, 0, 0
    days = np.arange(0.0, 300.0, 7.0)
    for _ in range(200):
        life = measured(days, 15.0 + 0.1 * days, rng).scaled()
        found, _ = drift(life, RENEWED, mains=None, removes=False)
        if found.slope is not None:
            reported += 1
            inside += found.slope.low <= 3.0 <= found.slope.high
            ahead = 15.0 + 0.1 * (days[-1] + 30.0)
            later = measured(np.array([ahead]), np.array([ahead]), rng).value[0]
            predicted += found.slope.reading_low <= later <= found.slope.reading_high
    assert reported > 180
    # 95 %, three standard deviations of a binomial.
    assert min(inside, predicted) / reported > 0.95 - 3 * np.sqrt(0.95 * 0.05 / reported)
    quiet, _ = drift(measured(days, np.full(len(days), 15.0), rng), RENEWED, mains=None, removes=False)
    assert quiet.slope is None


@pytest.mark.parametrize("shape", SHAPES)
def test_all_shapes_pass_half_at_zero_with_the_same_slope(shape: CurveShape) -> None:
    half, beyond = shape.passes(np.array([0.0, 1e-4]))
    assert half == pytest.approx(0.5)
    assert (beyond - half) / 1e-4 == pytest.approx(0.25, rel=1e-3)
    for share in (0.1, 0.5, 0.8):
        assert shape.passes(np.array([shape.place(share)])) == pytest.approx([share])


def test_without_noise_the_curve_is_found() -> None:
    days = np.arange(3.0, 260.0, 7.0)
    value = 30.0 + 170.0 * TRUTHS["logistic"](12.0 * (days / 180.0 - 1.0))
    own, none = np.full(len(days), 0.5), np.zeros(len(days))
    curves = breakthrough(EffluentSeries(days, MeasuredValues(value, own, none, none), mains=(200.0, 0.5)))
    assert curves.exhausted(0.5, (0.5,)) == pytest.approx([180.0], abs=0.5)
    assert curves.exhausted(0.1, (0.5,)) == pytest.approx([180.0 * (1 - np.log(9) / 12)], abs=1.0)
    middle, low, high = curves.band(np.array([100.0, 180.0]), u=0.5)
    assert middle == pytest.approx([30.0 + 170.0 * 0.0048, 115.0], abs=1.5)
    assert np.all((low < middle) & (middle < high))


def test_a_filter_first_tested_late_still_gets_an_interval() -> None:
    """Curves that pass everything before the first reading cannot separate the filter's level from the mains'."""
    days, value = np.arange(20.0, 350.0, 28.0), np.full(12, 0.02)
    value[-1] = 0.047
    own, shared = np.full(12, 0.006), np.full(12, 0.004)
    measured = MeasuredValues(value, own, shared, np.zeros(12, int))
    curves = breakthrough(EffluentSeries(days, measured, mains=(0.35, 0.01)))
    assert sum(float(m.weight.sum()) for m in curves.members) == pytest.approx(1.0)
    earliest, latest = curves.exhausted(0.5, (0.025, 0.975))
    assert days[-1] < earliest < latest < 1500


@pytest.mark.parametrize(("readings", "mains", "why"), [
    (3, 200.0, "4 readings are needed"), (20, None, "the mains at this site has no reading"),
    (20, 41.0, "not below the mains")])
def test_the_reason_for_a_missing_date_is_reported(readings: int, mains: float | None, why: str) -> None:
    days = 7.0 * np.arange(readings)
    life = measured(np.append(days, 140.0)[: readings], np.full(readings, 40.0), np.random.default_rng(1))
    level = mains and Segment(since=DAY, until=DAY, value=mains, u=2.0, low=mains - 4, high=mains + 4)
    found, curves = drift(life, RENEWED, mains=level or None, removes=True)
    assert (found.exhaustion, curves) == (None, None)
    assert why in found.why
