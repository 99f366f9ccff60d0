from datetime import date, timedelta
from math import log
from typing import Literal

import msgspec
import pytest

from assess.treatment.unit import load_units
from calibration.chart import Chart
from shared.estimate import Estimate, Part
from stripread.monitoring.trend.series import Visit, series
from stripread.monitoring.trend.trend import AnalyteTrend, trend
from stripread.report.trend import sentences
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Correction, Review, ValueSummary
from stripread.store.models.sites import Service, Unit
from stripread.store.store import Store
from tests.stripread.monitoring.year import FILTER, RENEWED_DAYS, STEP_WEEKS
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    keep,
    photograph_of,
    reading_of,
    with_chart,
)


@pytest.fixture
def store(mill: Store, sample_chart: Chart) -> Store:
    """A site whose points have no readings yet."""
    with_chart(mill, sample_chart, "A", "B")
    return mill


@pytest.fixture
def chart(sample_chart: Chart) -> dict[str, str]:
    return {batch: msgspec.structs.replace(sample_chart, batch=batch).id for batch in "AB"}


def read(store: Store, name: str, hours: float, value: Value, chart: dict[str, str]) -> str:
    """A reading of the tap, hours before now; its id."""
    photograph = photograph_of(name, NOW - timedelta(hours=hours), point="tap", batch="A")
    reading = reading_of(photograph, {"hardness": value}, chart=chart["A"])
    keep(store, photograph, reading)
    return reading.id


def test_readings_of_an_earlier_cartridge_do_not_count_as_scatter(store: Store, chart: dict[str, str]) -> None:
    """Twenty weeks of a steep rise; then ten since the renewal, within the uncertainty of the readings."""
    keep(store, Unit(id="filter", site="mill", catalogue="carbon-filter", unit=load_units()["carbon-filter"]),
         Service(id="new", unit="filter", at=NOW - timedelta(weeks=10, days=1), job="cartridge changed",
                 account=ACCOUNT))
    for week in range(30, 0, -1):
        value = 20.0 + 20.0 * (30 - week) if week > 10 else 20.0 + week % 2
        photograph = photograph_of(f"behind {week}", NOW - timedelta(weeks=week), point="behind", batch="A")
        keep(store, photograph, reading_of(photograph, {"hardness": Value(value)}, chart=chart["A"]))
    found, = trend(store, "behind").analytes
    assert found.scatter == 1.0
    assert not any("scatter" in sentence for sentence in sentences(found))


def the(found: AnalyteTrend) -> list[float]:
    return [s.value for s in found.seen]


def test_a_step_of_the_mains_is_found_and_a_new_batch_is_not_a_step(history: Store) -> None:
    found = {a.analyte: a for a in trend(history, "tap").analytes}
    for analyte, size in (("hardness", 50.0), ("alkalinity", 40.0)):
        levels = found[analyte].levels
        assert levels is not None
        step, = levels.steps
        true = (NOW - timedelta(weeks=STEP_WEEKS)).date()
        assert step.after <= true < step.before or step.before - true <= timedelta(days=21)
        assert step.low < size < step.high
        assert levels.levels[-1].low < 5 * size < levels.levels[-1].high


def test_the_exhaustion_interval_contains_the_true_date(history: Store) -> None:
    found = trend(history, "behind")
    drift = found.analytes[0].drift
    assert found.treatment.startswith("weak-acid")
    assert drift is not None
    assert drift.exhaustion is not None
    # By hand: from 30 to 200 mg/L the limit of 75 is reached where 45 / 170 passes, ln(45 / 125) / 12 ahead of half.
    days = FILTER.half_days * (1 + log(45 / 125) / FILTER.steepness)
    true = (NOW - timedelta(days=RENEWED_DAYS[1] - days)).date()
    assert drift.exhaustion.earliest <= true <= drift.exhaustion.latest
    text = " ".join(sentences(found.analytes[0]))
    assert f"will be above its limit of 75 from about {drift.exhaustion.on}" in text
    assert [m.what for m in found.marks] == ["cartridge changed", "batch B", "cartridge changed", "batch C"]


def test_superseded_unmeasured_and_rejected_readings_are_excluded(store: Store, chart: dict[str, str]) -> None:
    for i, value in enumerate((100.0, 110.0, 120.0, 130.0)):
        read(store, f"photo {i}", 96.0 - 24 * i, Value(value), chart)
    photograph = photograph_of("refused", NOW, point="tap", batch="A")
    again = photograph_of("photo 0", NOW - timedelta(hours=96), point="tap", batch="A")
    later = msgspec.structs.replace(reading_of(again, {"hardness": Value(105.0)}, chart=chart["A"]), id="again",
                                    supersedes="reading of photo 0")
    keep(store, photograph, reading_of(photograph, {}, chart=chart["A"]), later,
         Review(id="no", reading="reading of photo 2", decision="rejected", why="wrong tap", at=NOW, account=ACCOUNT))
    assert the(trend(store, "tap").analytes[0]) == [105.0, 110.0, 130.0]


def test_only_strips_of_one_visit_are_combined(store: Store, chart: dict[str, str]) -> None:
    """Two strips: the independent uncertainty decreases by the root of 2, that of the chart does not."""
    read(store, "first", 48.0, Value(98.0, u=4.0, u_chart=3.0), chart)
    read(store, "second", 47.9, Value(102.0, u=4.0, u_chart=3.0), chart)
    read(store, "next day", 24.0, Value(90.0, u=4.0, u_chart=3.0), chart)
    joined, alone = trend(store, "tap").analytes[0].seen
    assert joined.readings == ("reading of first", "reading of second")
    assert joined.value == pytest.approx(100.0, abs=0.01)
    assert (joined.high - joined.low) / 3.92 == pytest.approx((4.0**2 / 2 + 3.0**2) ** 0.5, rel=0.01)
    assert (alone.high - alone.low) / 3.92 == pytest.approx(5.0, rel=0.01)


def test_photographs_of_one_strip_are_not_independent(store: Store, chart: dict[str, str]) -> None:
    dipped = NOW - timedelta(hours=48)
    for name in ("first", "second"):
        photograph = photograph_of(name, NOW, point="tap", batch="A", dipped=dipped)
        keep(store, photograph, reading_of(photograph, {"hardness": Value(100.0, u=4.0, u_chart=3.0)},
                                           chart=chart["A"]))
    joined, = trend(store, "tap").analytes[0].seen
    assert (joined.high - joined.low) / 3.92 == pytest.approx(5.0, rel=0.01)


def test_a_correction_replaces_the_value_and_is_reported(store: Store, chart: dict[str, str]) -> None:
    reading = read(store, "photo", 1.0, Value(100.0), chart)
    estimate = Estimate(analyte="hardness", value=150.0, low=140.0, high=160.0, unit="mg/L CaCO3",
                        budget=(Part(name="strip repeatability", u=5.0, shared=False),))
    keep(store, Correction(id="c", reading=reading, estimate=estimate, why="by eye", at=NOW, account=ACCOUNT))
    found = trend(store, "tap").analytes[0]
    assert the(found) == [150.0]
    assert "1 value was entered by a reviewer." in list(sentences(found))


def test_values_beyond_the_range_are_reported(store: Store, chart: dict[str, str]) -> None:
    read(store, "low", 48.0, Value(10.0, status="below"), chart)
    read(store, "high", 24.0, Value(400.0, status="above"), chart)
    text = " ".join(sentences(trend(store, "tap").analytes[0]))
    assert "1 value below range" in text
    assert "1 value above range" in text


@pytest.mark.parametrize(("status", "low", "high"), [("below", 0.0, 6.1), ("above", 5.9, 14.0)])
def test_a_ph_beyond_the_range_counts_as_its_end(status: Literal["below", "above"], low: float, high: float) -> None:
    value = ValueSummary("ph", status, 6.0, low, high, 0.0)
    found = series("ph", [Visit(readings=("r",), at=NOW, chart="A", batch="A", values={"ph": value})])
    assert found.value == pytest.approx([6.0])
    assert found.u_own == pytest.approx([0.1 / 1.6449], rel=1e-3)


def test_one_reading_is_reported_without_a_trend(store: Store, chart: dict[str, str]) -> None:
    read(store, "photo", 1.0, Value(100.0), chart)
    assert list(sentences(trend(store, "tap").analytes[0])) == [
        f"Measured once, on {date(2026, 3, 2)}: 100.0 mg/L CaCO3 (95.6 to 104.4)."]


@pytest.mark.parametrize(("point", "analyte", "message"), [
    ("tap", None, "has no valid reading yet"), ("tap", "ph", "no reading of this analyte"),
    ("attic", None, "no such sampling point; found attic")])
def test_a_point_without_readings_gives_an_error(store: Store, point: str, analyte: str | None, message: str) -> None:
    with pytest.raises(RecordsError, match=message):
        trend(store, point, analyte)
