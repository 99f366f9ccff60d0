"""Figures: places on the scale of lists, best zones, the turned photograph. The rules are the project's own."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assess.draws import Interval
from assess.limits import load_limits
from stripread.reading.result import CardOutline, Provenance, Reading
from stripread.report.figures.time_plot import trend_line
from stripread.report.figures.window import LimitBounds, bounds_of, list_bar, plain_bar
from stripread.report.picture import photo_view
from tests.loops import some

BOTH, UPPER, LOWER = LimitBounds(at_least=40, at_most=90), LimitBounds(at_most=0.5), LimitBounds(at_least=7.0)


def at(value: float, bounds: LimitBounds) -> float:
    found = list_bar(Interval(value=value, low=value, high=value), bounds, None).at
    assert found is not None
    return found


@pytest.mark.parametrize(("bounds", "limits"), [(BOTH, (25.0, 75.0)), (UPPER, (75.0,)), (LOWER, (25.0,))])
def test_limits_line_up(bounds: LimitBounds, limits: tuple[float, ...]) -> None:
    assert list_bar(None, bounds, None).limits == pytest.approx(limits)


@given(st.sampled_from([BOTH, UPPER, LOWER]), st.floats(0, 2000), st.floats(0, 2000))
def test_a_larger_value_is_never_further_left(bounds: LimitBounds, a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert 2.0 <= at(low, bounds) <= at(high, bounds) <= 98.0


def test_a_bar_without_a_value_has_no_mark() -> None:
    bar = list_bar(None, BOTH, "within-limits")
    assert bar.at is None
    assert bar.interval is None


def test_a_plain_bar_is_linear() -> None:
    bar = plain_bar(Interval(value=38, low=38, high=38), LimitBounds(at_least=30, at_most=90), 120, "ok")
    assert bar.limits == (25.0, 75.0)
    assert bar.at == pytest.approx(100 * 38 / 120)
    assert bar.interval is None


@pytest.mark.parametrize(("measure", "low", "high"), [
    ("hardness", 57.8, 84.0), ("ph", 7.0, 8.0), ("chlorine", 0.0, 0.21)])
def test_the_best_zone_costs_nothing_in_the_cup(measure: str, low: float, high: float) -> None:
    """Hardness about 60 to 80, pH 7 to 8 (common practice, no source); ends at a tenth of a step of taste."""
    (limit,) = load_limits().on(measure)
    assert bounds_of(limit).zone == pytest.approx((low, high), abs=0.3)


def turned_reading(degrees: float) -> Reading:
    """A card of 148 x 105 units, turned about the origin."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    corners = tuple((500 + x * c - y * s, 400 + x * s + y * c) for x, y in ((0, 0), (148, 0), (148, 105), (0, 105)))
    return Reading(photo="x", status="no-result", reason="", flags=(), pads=(), light=None,
                   card=CardOutline(run=1, corners_px=corners, markers=(0, 1, 2, 3)),  # type: ignore[arg-type]
                   provenance=Provenance(software="", photo_sha256="", pixels_sha256="", chart="", batch="",
                                         profile=""))


@pytest.mark.parametrize("degrees", [0, 30, 90, 171, 180, -75])
def test_the_card_is_upright_whatever_way_it_lay(degrees: float) -> None:
    """The view box is the card's size with a margin of 3 % of its width; the drawing is turned back by as much."""
    view = photo_view(turned_reading(degrees), "/x", (1000, 800))
    assert math.cos(math.radians(view.turn + degrees)) == pytest.approx(1.0, abs=1e-4)
    assert view.box[2:] == pytest.approx((148 * 1.06, 105 + 2 * 0.03 * 148), abs=0.01)


def test_a_trend_line_ends_at_its_verdict() -> None:
    line = trend_line([60, 70, 112], BOTH, "out-of-limits", "hardness")
    assert line.tone == "out"
    assert [x for x, _ in line.points] == sorted(x for x, _ in line.points)
    assert line.points[-1][1] < line.band[0]  # above the band
    top, height = line.band
    assert all(top <= y <= top + height for _, y in some(line.points[:2]))
