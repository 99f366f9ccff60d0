"""For which light a chart is good: counts of intervals that hold, judged by the binomial distribution (SciPy)."""

import msgspec
import pytest
from scipy.stats import binom

from calibration.chart import Chart, LightSeen
from calibration.curve import LightLeftOut
from calibration.lights import LightCoverage, lights_of
from stripread.report.calibration_text import light_lines

SEEN = LightSeen(light="window", photographs=12, lamps={"D65": 0.7, "A": 0.05, "E": 0.25})


@pytest.mark.parametrize(("n", "covered"), [(n, k) for n in (5, 20, 105) for k in range(n // 2, n + 1)])
def test_a_light_carries_where_so_few_holding_may_be_chance(n: int, covered: int) -> None:
    assert LightCoverage(SEEN, n, covered).carries is bool(binom.cdf(covered, n, 0.95) >= 0.01)


def test_nothing_is_said_of_a_light_that_was_never_left_out() -> None:
    assert LightCoverage(SEEN, 0, 0).carries is None


def test_the_likeliest_lamps_are_named_first() -> None:
    assert LightCoverage(SEEN, 0, 0).lamps == (("D65", 0.7), ("E", 0.25))


def test_the_samples_lights_are_seen_and_carry(sample_chart: Chart) -> None:
    """The samples' README: window light and one of two lamps for each of 28 solutions."""
    lights = {v.seen.light: v for v in lights_of(sample_chart)}
    assert {name: v.seen.photographs for name, v in lights.items()} == {"window": 28, "cool-led": 14, "warm-led": 14}
    for light in lights.values():
        assert sum(light.seen.lamps.values()) == pytest.approx(1.0, abs=0.01)
        assert light.carries
    assert lights["cool-led"].lamps[0][0].startswith("LED")


def test_the_sentence_follows_the_counts(sample_chart: Chart) -> None:
    def last_line(left_out: dict[str, LightLeftOut]) -> str:
        curves = [msgspec.structs.replace(c, lights=tuple(left_out.values())) for c in sample_chart.curves]
        return list(light_lines(msgspec.structs.replace(sample_chart, curves=tuple(curves))))[-1]

    good = {name: LightLeftOut(light=name, n=10, covered=10, rms=1.0) for name in sample_chart.conditions.lights}
    assert "for similar lights" in last_line(good)
    good["window"] = LightLeftOut(light="window", n=10, covered=6, rms=9.0)
    assert "does not transfer to a light that was excluded from the fit (window)" in last_line(good)
    assert "Not tested under other lights" in last_line({})
