"""Figures of a batch's page: places follow the values, and a violated rule is marked where it is completed."""

from __future__ import annotations

import pytest

from calibration.chart import Chart
from calibration.control import BASELINE_RUNS, CheckResult, control_chart
from shared.notation import Notation
from stripread.report.figures.quality import control_figures, level_errors, with_uncertainty
from tests.loops import some


def results(values: list[float]) -> list[CheckResult]:
    return [CheckResult(run=f"2026-05-{1 + i:02d}", standard="C1", phone="", value=v, left_out="")
            for i, v in enumerate(values)]


def test_a_control_chart_shows_distances_from_the_mean_and_the_rule_violated() -> None:
    steady = [60.0 + (1 if i % 2 else -1) for i in range(BASELINE_RUNS)]
    chart = control_chart("hardness", results([*steady, 90.0]))
    (figure,) = control_figures([chart], Notation(unit="°dH", comma=True))
    heights = {text: y for y, text in figure.lines}
    assert heights["+3 s"] < heights["mean"] < heights["-3 s"]
    assert figure.marks[-1].y < heights["+3 s"]
    assert figure.tone == figure.marks[-1].tone == "out"
    assert figure.marks[-1].title.startswith("21 May 2026, C1: 5,0")
    assert "1-3s" in figure.marks[-1].title
    assert {f.rule.id for f in figure.fired} >= {"1-2s", "1-3s"}
    assert figure.marks[BASELINE_RUNS - 1].x < figure.baseline < figure.marks[-1].x


def test_errors_of_levels_are_those_of_the_chart(sample_chart: Chart) -> None:
    for curve in some(sample_chart.curves):
        figure = level_errors(curve, Notation())
        assert figure is not None
        errors = [v.left_out for v in curve.levels if v.left_out is not None]
        assert len(figure.errors) == len(errors)
        above = [e.y < figure.zero for e, known in zip(figure.errors, errors, strict=True) if known]
        assert above == [known > 0 for known in errors if known]
        largest = max(errors, key=abs)
        assert float(figure.largest[1]) == pytest.approx(largest, rel=0.06)


def test_limits_of_detection_are_stored_with_the_chart(sample_chart: Chart) -> None:
    """Defined only where there is a blank: not for pH. A detectable amount exceeds the critical value (ISO 11843-1)."""
    found = {c.analyte: c.near_zero for c in sample_chart.curves}
    assert found["ph"] is None
    limits = [z for z in found.values() if z is not None]
    assert limits
    assert all(0 < z.critical < z.detectable < z.up_to * 3 for z in limits)


def test_a_value_is_rounded_to_its_uncertainty() -> None:
    assert with_uncertainty(6.0, 0.02, "pH", Notation()) == "6.000 ± 0.020"
    assert with_uncertainty(60.04, 1.234, "mg/L CaCO3", Notation(comma=True)) == "60,0 ± 1,2"
