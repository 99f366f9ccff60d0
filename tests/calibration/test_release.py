"""The release gate: what it lacks is listed, and the number of large zeta scores follows the binomial distribution."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import msgspec
import pytest
from msgspec.structs import replace
from scipy.stats import binom

from calibration.chart import Chart
from calibration.release import Evidence, GateCheck, Release, State, missing, releases_beside, save_release, state_of
from calibration.statistics.distributions import binomial_quantile
from shared.errors import FileError
from shared.flags import FLAGS
from tests.synthetic import evidence

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def said(state: State, when: datetime = NOON, *, since: datetime | None = None) -> Release:
    return Release(chart="a" * 64, state=state, by="analyst 3", when=when, why="checks passed", valid_from=since,
                   valid_until=when + 90 * DAY if state == "released" else None)


@pytest.mark.parametrize(("releases", "now", "flags"), [
    ([], NOON, ("chart-draft",)),
    ([said("draft")], NOON, ("chart-draft",)),
    ([said("released")], NOON, ()),
    ([said("released")], NOON - DAY, ("chart-draft",)),
    ([said("released")], NOON + 90 * DAY, ()),
    ([said("released")], NOON + 91 * DAY, ("chart-expired",)),
    ([said("released", since=NOON + 2 * DAY)], NOON + DAY, ("chart-draft",)),
    ([said("released"), said("withdrawn", NOON + DAY)], NOON + 2 * DAY, ("chart-withdrawn",)),
    ([said("withdrawn", NOON + DAY), said("released")], NOON, ()),
    ([said("withdrawn"), said("released", NOON + DAY)], NOON + 2 * DAY, ()),
])
def test_the_latest_statement_applies(releases: list[Release], now: datetime, flags: tuple[str, ...]) -> None:
    assert state_of("a" * 64, releases, now=now) == flags
    assert set(flags) <= FLAGS.keys()


def test_a_release_of_another_chart_does_not_count() -> None:
    assert state_of("b" * 64, [said("released")], now=NOON) == ("chart-draft",)


def test_release_files_are_in_the_folder_of_the_chart(tmp_path: Path) -> None:
    chart, other = tmp_path / "batch [7].json", tmp_path / "batch 7.json"
    first, second = said("released"), said("withdrawn", NOON + DAY)
    for statement in (second, first):
        save_release(statement, chart)
    save_release(said("draft"), other)
    assert releases_beside(chart) == (first, second)


def test_a_statement_is_never_written_over(tmp_path: Path) -> None:
    save_release(said("released"), tmp_path / "c.json")
    with pytest.raises(FileError, match="cannot be written"):
        save_release(said("released"), tmp_path / "c.json")


@pytest.mark.parametrize(("change", "message"), [
    ({"state": "approved"}, "released"),
    ({"by": " "}, "by is empty"),
    ({"valid_until": None}, "valid_until is required"),
    ({"valid_until": "2020-01-01T00:00:00Z"}, "valid_until (2020"),
    ({"when": "2026-11-25T12:00:00"}, "timezone"),
    ({"note": "x"}, "note"),
])
def test_files_that_cannot_be_meant_are_refused(tmp_path: Path, change: dict[str, object], message: str) -> None:
    content = {**msgspec.to_builtins(said("released")), **change}
    (tmp_path / "c.release-1.json").write_bytes(msgspec.json.encode(content))
    with pytest.raises(FileError) as raised:
        releases_beside(tmp_path / "c.json")
    assert message in raised.value.message
    assert "c.release-1.json" in raised.value.message


LATEST = date(2999, 12, 31)


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
    assert missing(sample_chart, evidence(sample_chart), LATEST) == ()


def test_two_large_zeta_scores_of_six_pass_and_three_do_not(sample_chart: Chart) -> None:
    good = evidence(sample_chart)
    assert missing(sample_chart, with_zeta(good, "ph", 2.1, -3.4), LATEST) == ()
    assert missing(sample_chart, with_zeta(good, "ph", 2.1, -2.1, 2.1), LATEST) == (
        "ph: 3 of 6 zeta scores exceed 2; at most 2 may",)
    assert missing(sample_chart, with_zeta(good, "ph", -3.6), LATEST) == (
        "ph: C1 has zeta -3.6; none may exceed 3.5",)


def test_lights_of_the_fit_and_levels_that_agree_do_not_count(sample_chart: Chart) -> None:
    good, (first, *_) = evidence(sample_chart), sample_chart.conditions.lights
    fitted = replace(good, checks=tuple(
        replace(c, light=sample_chart.conditions.lights["lamp 2" in c.light]) if c.standard == "C2" else c
        for c in good.checks))
    (lack,) = missing(sample_chart, fitted, LATEST)
    assert "hardness, alkalinity, ph, chloride, chlorine: check standards at 2 of 3" in lack
    assert f"C2 ({', '.join(sorted(sample_chart.conditions.lights[:2]))})" in lack
    alike = replace(good, checks=tuple(replace(c, known=10.1 if c.standard == "C2" else c.known) for c in good.checks))
    assert "at 2 of 3 different levels" in missing(sample_chart, alike, LATEST)[0]
    single = replace(good, checks=tuple(replace(c, light=f" {first.upper()}") for c in good.checks))
    assert "at 0 of 3 different levels" in missing(sample_chart, single, LATEST)[0]


def test_an_analyte_without_check_standards_is_named(sample_chart: Chart) -> None:
    good = evidence(sample_chart)
    (lack,) = missing(sample_chart, replace(good, checks=tuple(c for c in good.checks if c.analyte != "ph")), LATEST)
    assert lack.startswith("ph: check standards at 0 of 3")


def test_the_strips_expiry_date_bounds_the_release(sample_chart: Chart) -> None:
    good = evidence(sample_chart)
    assert missing(sample_chart, good, LATEST) == ()
    assert "after the strips' expiry date 2026-01-31" in missing(
        sample_chart, replace(good, expires=date(2026, 1, 31)), date(2026, 2, 1))[0]
    assert missing(sample_chart, replace(good, expires=None), LATEST) == (
        "the expiry date of the strip batch is not known",)


def test_of_right_uncertainties_few_charts_fail(sample_chart: Chart) -> None:
    """Simulated: normal zeta scores; an analyte fails by their number in less than 1 % of charts, by one in 0.3 %."""
    import numpy as np

    rng = np.random.default_rng(5)
    checks = tuple(c for c in evidence(sample_chart).checks if c.analyte == "ph")
    chart = replace(sample_chart, curves=tuple(c for c in sample_chart.curves if c.analyte == "ph"))
    failed = sum(bool(missing(chart, Evidence(checks=tuple(
        replace(c, zeta=float(z)) for c, z in zip(checks, rng.standard_normal(len(checks)), strict=True)),
        expires=LATEST), LATEST)) for _ in range(2000))
    assert 0 < failed <= 2000 * 0.01


def test_a_value_without_a_name_of_its_light_counts_under_none(sample_chart: Chart) -> None:
    good = evidence(sample_chart)
    nameless = replace(good, checks=(*good.checks[1:], replace(good.checks[0], light="")))
    assert isinstance(nameless.checks[-1], GateCheck)
    assert "C1 (lamp 2 of the tests)" in missing(sample_chart, nameless, LATEST)[0]
