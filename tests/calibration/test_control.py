from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from calibration.control import (
    BASELINE_RUNS,
    MEAN_RUNS,
    CheckResult,
    control_chart,
    control_charts,
    of_phone,
    read_checks,
)
from shared.errors import InputError


def results(values: list[float], *, standard: str = "C01", phone: str = "old", start: int = 0) -> list[CheckResult]:
    return [CheckResult(run=f"{start + i:03}", standard=standard, phone=phone, value=v, left_out="")
            for i, v in enumerate(values)]


def steady(n: int, *, mean: float = 60.0, s: float = 2.0, seed: int = 1) -> list[float]:
    return [float(v) for v in np.random.default_rng(seed).normal(mean, s, n)]


def test_limits_are_those_of_the_first_runs_and_no_later_ones() -> None:
    values = steady(BASELINE_RUNS)
    chart = control_chart("hardness", results([*values, 75.0, 76.0]))
    limit = chart.limits["C01"]
    assert (limit.mean, limit.s) == pytest.approx((np.mean(values), np.std(values, ddof=1)))
    assert [p.baseline for p in chart.points] == [True] * BASELINE_RUNS + [False] * 2
    assert chart.state == "out of control"
    assert {"1-3s", "2-2s"} <= set(chart.completed[BASELINE_RUNS + 1])


def test_in_control_warning_and_baseline() -> None:
    values = [60 + (-1) ** i * (1 + i % 3) for i in range(BASELINE_RUNS)]
    s = float(np.std(values, ddof=1))
    assert control_chart("hardness", results([*values, 60.0])).state == "in control"
    assert control_chart("hardness", results([*values, 60.0, 60 + 2.2 * s])).state == "warning"
    assert control_chart("hardness", results(values)).state == "baseline only"


def test_too_few_runs_or_no_spread_give_no_limits() -> None:
    few = control_chart("hardness", results(steady(BASELINE_RUNS - 1)))
    same = control_chart("ph", results([7.0] * BASELINE_RUNS))
    assert few.limits == same.limits == {}
    assert "19 of 20 required runs" in few.waiting["C01"]
    assert "no spread" in same.waiting["C01"]
    assert few.state == "baseline only"


def test_excluded_results_are_shown_but_not_counted() -> None:
    values = results(steady(BASELINE_RUNS + 1))
    bad = CheckResult(run="999", standard="C01", phone="old", value=500.0, left_out="wrong bottle")
    chart = control_chart("hardness", [bad, *values])
    assert chart.left_out == (bad,)
    assert chart.limits == control_chart("hardness", values).limits


def test_a_new_phone_is_held_against_the_limits_of_the_others() -> None:
    old = results(steady(30))
    values = [61.0, 59.0, 60.5, 59.5, 61.0, 59.0]
    for shift, state in ((0.0, "in control"), (6.0, "out of control")):
        new = results([v + shift for v in values], phone="new", start=30)
        chart = control_chart("hardness", of_phone([*new, *old], "new"))
        assert chart.limits == control_chart("hardness", old).limits
        assert [p.result.phone for p in chart.points if not p.baseline] == ["new"] * 6
        assert chart.state == state


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_table_is_read_in_any_unit(tmp_path: Path) -> None:
    """1 °dH is 17.848 mg/L CaCO3 (DIN 38409-6)."""
    table = write(tmp_path / "c.csv", "run,standard,hardness [°dH],ph\n1,C01,3.4,7.2\n2,C01,,7.3\n")
    read = read_checks(table)
    assert [r.value for r in read["hardness"]] == [pytest.approx(3.4 * 17.848, rel=1e-4)]
    assert [(r.run, r.value) for r in read["ph"]] == [("1", 7.2), ("2", 7.3)]


@pytest.mark.parametrize(("text", "message"), [
    ("", "the table is empty"),
    ("run,standard\n1,C01\n", "no column of values"),
    ("run,hardness [mg/L CaCO3]\n1,60\n", "no standard"),
    ("run,standard,hardnes [mg/L CaCO3]\n1,C01,60\n", "an unknown column; found 'hardnes"),
    ("run,standard,ph,ph\n1,C01,7,7\n", "a column occurs twice; found ph"),
    ("run,standard,hardness [mg/L]\n1,C01,60\n", "allowed: a number and one of mg/L CaCO3"),
    ("run,standard,hardness [mg/L CaCO3]\n1,C01,sixty\n", "c.csv:2, column hardness"),
    ("run,standard,ph\n1,C01\n", "one cell for each column; found 2 cells"),
    ("run,standard,ph\n1,C01,17\n", "impossible; found 17"),
])
def test_bad_tables_say_what_is_wrong(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError) as raised:
        read_checks(write(tmp_path / "c.csv", text))
    assert message in raised.value.message


def test_each_batch_has_its_own_limits() -> None:
    """The chart of a second batch reads 8 more: no rule fires, and each batch has its own mean."""
    first = [60 + (-1) ** i * (1 + i % 3) for i in range(BASELINE_RUNS + 5)]
    second = [v + 8.0 for v in first]
    both = [replace(r, batch=batch) for batch, values, start in (("A", first, 0), ("B", second, 50))
            for r in results(values, start=start)]
    charts = control_charts({"hardness": both})
    assert [(c.batch, c.analyte) for c in charts] == [("B", "hardness"), ("A", "hardness")]
    assert [c.limits["C01"].mean for c in charts] == pytest.approx(
        [np.mean(second[:MEAN_RUNS]), np.mean(first[:BASELINE_RUNS])])
    assert {c.state for c in charts} == {"in control"}
    assert control_chart("hardness", both).state == "out of control"


def test_a_later_batch_needs_runs_for_its_mean_alone() -> None:
    """Its standard deviation is that of a one-way analysis of variance over the earlier batches (scipy's own sum)."""
    first, second, third = steady(12), steady(9, mean=64.0, seed=2), steady(MEAN_RUNS + 1, mean=58.0, seed=3)
    runs = [replace(r, batch=batch) for batch, values, start in (("A", first, 0), ("B", second, 20), ("C", third, 40))
            for r in results(values, start=start)]
    charts = {c.batch: c for c in control_charts({"hardness": runs})}
    within = sum(scipy.stats.sem(v, ddof=1) ** 2 * len(v) * (len(v) - 1) for v in (first, second)) / (12 + 9 - 2)
    limit = charts["C"].limits["C01"]
    assert (limit.mean, limit.s, limit.runs, limit.earlier) == pytest.approx(
        (np.mean(third[:MEAN_RUNS]), within ** 0.5, MEAN_RUNS, 21))
    assert [p.baseline for p in charts["C"].points] == [True] * MEAN_RUNS + [False]
    assert "9 of 20 required runs" in charts["B"].waiting["C01"]
