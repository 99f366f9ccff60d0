"""Sentences of a trend agree with its numbers."""

from __future__ import annotations

from datetime import UTC, date, datetime

import msgspec
import pytest

from stripread.monitoring.trend.drift import Drift, Slope
from stripread.monitoring.trend.trend import AnalyteTrend, TrendPoint
from stripread.report.trend import sentences

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(("low", "high", "shown"), [(-6.0, 14.0, False), (-14.0, -2.0, True), (2.0, 14.0, False)])
def test_a_falling_value_is_given_no_rate_that_rises(low: float, high: float, *, shown: bool) -> None:
    slope = Slope(per_month=(low + high) / 2, low=low, high=high, on=date(2026, 4, 1), reading=80.0, reading_low=70.0,
                  reading_high=90.0)
    drift = Drift(since=NOW, readings=8, alarm=NOW.date(), onset=NOW.date(), direction="falling", slope=slope)
    seen = TrendPoint(
        readings=("r",), at=NOW, value=80.0, low=75.0, high=85.0, status="measured", batch="A", corrected=False
    )
    found = AnalyteTrend(analyte="hardness", unit="mg/L CaCO3", seen=(seen,), scatter=1.0, levels=None, drift=drift)
    assert any("in 30 days" in sentence for sentence in sentences(found)) == shown
    level = msgspec.structs.replace(found, drift=msgspec.structs.replace(drift, alarm=None, direction=None))
    assert any("in 30 days" in sentence for sentence in sentences(level)) == (low > 0 or high < 0)
