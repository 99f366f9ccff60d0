"""The release gate: what it lacks is listed, and the number of large zeta scores follows the binomial distribution."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from msgspec.structs import replace
from scipy.stats import binom

from calibration.chart import Chart
from calibration.gate import Evidence, GateCheck, missing
from calibration.statistics.distributions import binomial_quantile
from tests.synthetic import evidence

DAY = date(2999, 12, 31)


def with_zeta(good: Evidence, analyte: str, *zetas: float) -> Evidence:
    """The evidence with the first zeta scores of an analyte replaced."""
    left = list(zetas)
    return replace(good, checks=tuple(
        replace(c, zeta=left.pop(0)) if c.analyte == analyte and left else c for c in good.checks))


@pytest.mark.parametrize(("n", "most"), [(6, 2), (9, 2), (12, 3), (20, 4), (100, 11)])
def test_the_99_percent_point_of_the_binomial(n: int, most: int) -> None:
    """Second way: SciPy. Values with p = 0.05 agree with tables of the cumulative binomial (n = 20: P(4) = 0.9974)."""
    assert binomial_quantile(0.99, n, 0.05) == most == binom.ppf(0.99, n, 0.05)


def test_three_levels_under_two_lights_pass(sample_chart: Chart) -> None:
    assert missing(sample_chart, evidence(sample_chart), DAY) == ()


def test_two_large_zeta_scores_of_six_pass_and_three_do_not(sample_chart: Chart) -> None:
    good = evidence(sample_chart)
    assert missing(sample_chart, with_zeta(good, "ph", 2.1, -3.4), DAY) == ()
    assert missing(sample_chart, with_zeta(good, "ph", 2.1, -2.1, 2.1), DAY) == (
        "ph: 3 of 6 zeta scores exceed 2; at most 2 may",)
    assert missing(sample_chart, with_zeta(good, "ph", -3.6), DAY) == (
        "ph: C1 has zeta -3.6; none may exceed 3.5",)


def test_lights_of_the_fit_and_levels_that_agree_do_not_count(sample_chart: Chart) -> None:
    good, (first, *_) = evidence(sample_chart), sample_chart.conditions.lights
    fitted = replace(good, checks=tuple(
        replace(c, light=sample_chart.conditions.lights["lamp 2" in c.light]) if c.standard == "C2" else c
        for c in good.checks))
    (lack,) = missing(sample_chart, fitted, DAY)
    assert "hardness, alkalinity, ph, chloride, chlorine: check standards at 2 of 3" in lack
    assert f"C2 ({', '.join(sorted(sample_chart.conditions.lights[:2]))})" in lack
    alike = replace(good, checks=tuple(replace(c, known=10.1 if c.standard == "C2" else c.known) for c in good.checks))
    assert "at 2 of 3 different levels" in missing(sample_chart, alike, DAY)[0]
    single = replace(good, checks=tuple(replace(c, light=f" {first.upper()}") for c in good.checks))
    assert "at 0 of 3 different levels" in missing(sample_chart, single, DAY)[0]


def test_an_analyte_without_check_standards_is_named(sample_chart: Chart) -> None:
    good = evidence(sample_chart)
    (lack,) = missing(sample_chart, replace(good, checks=tuple(c for c in good.checks if c.analyte != "ph")), DAY)
    assert lack.startswith("ph: check standards at 0 of 3")


def test_the_strips_expiry_date_bounds_the_release(sample_chart: Chart) -> None:
    good = evidence(sample_chart)
    assert missing(sample_chart, good, DAY + timedelta(days=0)) == ()
    assert "after the strips' expiry date 2026-01-31" in missing(
        sample_chart, replace(good, expires=date(2026, 1, 31)), date(2026, 2, 1))[0]
    assert missing(sample_chart, replace(good, expires=None), DAY) == (
        "the expiry date of the strip batch is not known",)


def test_of_right_uncertainties_few_charts_fail(sample_chart: Chart) -> None:
    """Simulated: normal zeta scores; an analyte fails by their number in less than 1 % of charts, by one in 0.3 %."""
    import numpy as np

    rng = np.random.default_rng(5)
    checks = tuple(c for c in evidence(sample_chart).checks if c.analyte == "ph")
    chart = replace(sample_chart, curves=tuple(c for c in sample_chart.curves if c.analyte == "ph"))
    failed = sum(bool(missing(chart, Evidence(checks=tuple(
        replace(c, zeta=float(z)) for c, z in zip(checks, rng.standard_normal(len(checks)), strict=True)),
        expires=DAY), DAY)) for _ in range(2000))
    assert 0 < failed <= 2000 * 0.01


def test_a_value_without_a_name_of_its_light_counts_under_none(sample_chart: Chart) -> None:
    good = evidence(sample_chart)
    nameless = replace(good, checks=(*good.checks[1:], replace(good.checks[0], light="")))
    assert isinstance(nameless.checks[-1], GateCheck)
    assert "C1 (lamp 2 of the tests)" in missing(sample_chart, nameless, DAY)[0]
