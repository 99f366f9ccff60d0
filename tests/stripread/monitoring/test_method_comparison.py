"""Method comparison on simulated waters with known errors: the reported errors must equal them."""

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
import pytest

from calibration.chart import Chart
from stripread.monitoring.method_comparison import MethodComparison, compare_methods
from stripread.monitoring.sites import Scope
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import LabResult
from stripread.store.models.record import Record
from stripread.store.store import Store
from tests.stripread.store.histories import (
    NOW,
    Value,
    keep,
    photograph_of,
    reading_of,
    with_chart,
)

#: Standard uncertainties, shares of the value: strip as stated, strip's own, not stated, laboratory.
STATED, HIDDEN, LAB = 0.04, 0.08, 0.02


@pytest.fixture
def store(mill: Store) -> Store:
    return mill


def lab(name: str, value: float, days_ago: float, **more: object) -> LabResult:
    text = {"u": LAB * value, "point": "tap", "analyte": "hardness", **more}
    return LabResult(id=name, taken=NOW - timedelta(days=days_ago), value=value, unit="mg/L CaCO3",
                     **text)  # type: ignore[arg-type]


def read(name: str, value: float, days_ago: float, chart: str) -> Sequence[Record]:
    photograph = photograph_of(name, NOW - timedelta(days=days_ago), point="tap", batch="A")
    return photograph, reading_of(photograph, {"hardness": Value(value, u=STATED * value, u_chart=0.0)}, chart=chart)


def waters(store: Store, chart: Chart, *, hidden: float, bias: float) -> MethodComparison:
    """80 waters, each read once and measured by the laboratory; all strips have the same relative bias."""
    chart_id, rng = with_chart(store, chart, "A")["A"], np.random.default_rng(1986)
    records: list[Record] = []
    for i, true in enumerate(rng.uniform(40.0, 350.0, 80).tolist()):
        scale = 1 + bias + float(np.hypot(STATED, hidden) * rng.standard_normal())
        records += [lab(f"lab {i}", true * (1 + LAB * float(rng.standard_normal())), 10.0 * i),
                    *read(f"strip {i}", true * scale, 10.0 * i + 0.25, chart_id)]
    keep(store, *records)
    found, = compare_methods(store, Scope(), days=1.0)
    return found


def test_reported_errors_equal_the_simulated_errors(store: Store, sample_chart: Chart) -> None:
    bias = 0.10
    found = waters(store, sample_chart, hidden=HIDDEN, bias=bias)
    a, limits, fit, coverage = found.agreement, found.limits, found.fit, found.coverage
    assert a is not None
    assert limits is not None
    assert fit is not None
    assert coverage is not None
    assert len(found.couples) == 80
    assert a.relative
    assert a.interval[0] < bias < a.interval[1]
    assert a.intrinsic == pytest.approx(HIDDEN, rel=0.25)
    assert a.intrinsic < a.intrinsic_below
    # Bias and scatter together: the limits contain 95 % of the deviations.
    spread = 1.96 * np.sqrt(STATED**2 + HIDDEN**2 + LAB**2)
    assert limits.lower_interval[0] < bias - spread < limits.lower_interval[1]
    assert limits.upper_interval[0] < bias + spread < limits.upper_interval[1]
    assert fit.intervals.slope[0] < 1 + bias < fit.intervals.slope[1]
    assert fit.intervals.intercept[0] < 0.0 < fit.intervals.intercept[1]
    assert coverage.too_narrow
    assert found.without_uncertainty == 0


def test_strips_with_nominal_coverage_pass(store: Store, sample_chart: Chart) -> None:
    found = waters(store, sample_chart, hidden=0.0, bias=0.0)
    assert found.coverage is not None
    assert not found.coverage.too_narrow
    assert found.coverage.low < 0.95


def test_each_reading_is_paired_once_with_the_nearest_result(store: Store, sample_chart: Chart) -> None:
    chart = with_chart(store, sample_chart, "A")["A"]
    keep(store, *read("near", 100.0, 9.9, chart), *read("nearer", 102.0, 10.1, chart), *read("later", 90.0, 3.0, chart),
         lab("first", 101.0, 10.15), lab("second", 99.0, 10.4), lab("alone", 99.0, 6.0),
         lab("limit", 5.0, 3.0, status="below"), lab("elsewhere", 99.0, 10.0, point="behind"),
         lab("wrong", 7.0, 3.0, struck="typed wrongly"))
    found, = compare_methods(store, Scope(), days=1.0)
    assert [(c.lab.id, c.readings) for c in found.couples] == [("first", ("reading of nearer",))]
    assert {a.lab.id: a.why.split(",")[0] for a in found.alone} == {
        "second": "the reading is paired with another result", "limit": "the laboratory reports only a limit (below 5)",
        "alone": "no reading within the allowed number of days",
        "elsewhere": "no reading within the allowed number of days"}
    assert found.agreement is None
    assert found.fit is None


def test_each_analyte_of_a_reading_has_its_own_result(store: Store, sample_chart: Chart) -> None:
    chart = with_chart(store, sample_chart, "A")["A"]
    photograph = photograph_of("both", NOW, point="tap", batch="A")
    keep(store, photograph, reading_of(photograph, {"hardness": Value(100.0), "alkalinity": Value(80.0)}, chart=chart),
         lab("hard", 100.0, 0.1), lab("alkaline", 81.0, 0.1, analyte="alkalinity"))
    assert [(p.analyte, [c.lab.id for c in p.couples]) for p in compare_methods(store, Scope(), days=1.0)] == [
        ("hardness", ["hard"]), ("alkalinity", ["alkaline"])]


def test_results_without_uncertainty_are_exact_and_counted(store: Store, sample_chart: Chart) -> None:
    chart = with_chart(store, sample_chart, "A")["A"]
    for i, value in enumerate((50.0, 100.0, 150.0, 200.0, 250.0)):
        keep(store, *read(f"strip {i}", value + (-1) ** i, 10.0 * i, chart), lab(f"lab {i}", value, 10.0 * i, u=None))
    found, = compare_methods(store, Scope(), days=1.0)
    assert found.without_uncertainty == 5
    assert found.fit is not None
    assert found.fit.line.slope == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(("scope", "analyte"), [(Scope(), None), (Scope(), "ph"), (Scope(site="mill"), None)])
def test_a_comparison_without_results_is_an_error(store: Store, scope: Scope, analyte: str | None) -> None:
    with pytest.raises(RecordsError, match="no laboratory results"):
        compare_methods(store, scope, analyte, days=1.0)
