"""Sentences of a trend agree with its numbers."""

from __future__ import annotations

from datetime import UTC, date, datetime

import msgspec
import pytest

from stripread.monitoring.trend.change_points import LevelStep, Segment, Segments
from stripread.monitoring.trend.drift import Drift, Slope
from stripread.monitoring.trend.trend import AnalyteTrend, TrendPoint
from stripread.report.trend import sentences

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
SEEN = TrendPoint(readings=("r",), at=NOW, value=80.0, low=75.0, high=85.0, status="measured", batch="A",
                  corrected=False)


@pytest.mark.parametrize(("size", "low", "high", "said"), [
    (2.0, -1.0, 5.0, "rose by 2.0 mg/L CaCO3 (-1.0 to 5.0)"),
    (-20.0, -26.0, -14.0, "fell by 20.0 mg/L CaCO3 (14.0 to 26.0)"),
])
def test_the_interval_of_a_step_has_the_direction_of_the_step(size: float, low: float, high: float, said: str) -> None:
    step = LevelStep(after=NOW.date(), before=NOW.date(), size=size, low=low, high=high, probability=0.01)
    level = Segment(since=NOW.date(), until=NOW.date(), value=80.0, u=2.5, low=75.0, high=85.0)
    found = AnalyteTrend(analyte="hardness", unit="mg/L CaCO3", seen=8 * (SEEN,), scatter=1.0,
                         levels=Segments(levels=(level, level), steps=(step,)))
    assert said in " ".join(sentences(found))


@pytest.mark.parametrize(("low", "high", "shown"), [(-6.0, 14.0, False), (-14.0, -2.0, True), (2.0, 14.0, False)])
def test_a_falling_value_is_given_no_rate_that_rises(low: float, high: float, *, shown: bool) -> None:
    slope = Slope(per_month=(low + high) / 2, low=low, high=high, on=date(2026, 4, 1), reading=80.0, reading_low=70.0,
                  reading_high=90.0)
    drift = Drift(since=NOW, readings=8, alarm=NOW.date(), onset=NOW.date(), direction="falling", slope=slope)
    found = AnalyteTrend(analyte="hardness", unit="mg/L CaCO3", seen=(SEEN,), scatter=1.0, levels=None, drift=drift)
    assert any("in 30 days" in sentence for sentence in sentences(found)) == shown
    level = msgspec.structs.replace(found, drift=msgspec.structs.replace(drift, alarm=None, direction=None))
    assert any("in 30 days" in sentence for sentence in sentences(level)) == (low > 0 or high < 0)
