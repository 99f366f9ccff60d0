"""Levels of readings with a shared relative error: within their readings, with intervals of nominal coverage.

A common error taken as a share of each reading instead of the level pulls the mean below all readings: Peelle's
pertinent puzzle (D'Agostini, Nucl. Instrum. Methods A 346:306, 1994).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from stripread.monitoring.trend.change_points import levels, recent_level
from stripread.monitoring.trend.series import Series, Visit
from stripread.monitoring.trend.series import series as series_of
from stripread.store.models.evidence import ValueSummary
from tests.loops import some

Array = NDArray[np.float64]
START = datetime(2025, 1, 6, 9, 0, tzinfo=UTC)


def series(value: Array, *, own: Array, common: float, chart: NDArray[np.int64] | None = None) -> Series:
    """Weekly readings with independent errors and a shared relative error of the chart."""
    n = len(value)
    return Series(analyte="hardness", at=tuple(START + timedelta(weeks=i) for i in range(n)), value=value, u_own=own,
                  u_common=common * value, chart=np.zeros(n, dtype=np.int64) if chart is None else chart)


def test_peelles_pertinent_puzzle() -> None:
    """1.5 and 1.0, each with 10 % of its own and 20 % in common, have the mean 0.882; 1.25 is their middle.

    The numbers of the puzzle as ENDF users state it; the weights are equal where errors are shares of the level.
    """
    value = np.array([1.5, 1.0])
    found = recent_level(series(value, own=0.1 * value, common=0.2))
    assert found is not None
    assert found.value == pytest.approx(1.25)
    assert (found.high - found.low) / 3.92 == pytest.approx(1.25 * np.hypot(0.1 / np.sqrt(2), 0.2), rel=1e-3)


@given(st.lists(st.tuples(st.floats(0.0, 500.0), st.floats(0.01, 1.0), st.floats(0.01, 5.0)), min_size=1, max_size=12),
       st.floats(0.0, 1.0), st.data())
def test_levels_are_within_their_readings(rows: list[tuple[float, float, float]], common: float,
                                         data: st.DataObject) -> None:
    value, share, least = np.array(rows).T
    chart = np.array(sorted(data.draw(st.lists(st.integers(0, 2), min_size=len(rows), max_size=len(rows)))))
    s = series(value, own=np.hypot(share * value, least), common=common, chart=chart)
    found = recent_level(s)
    assert found is not None
    recent = value[-8:]
    assert recent.min() - 1e-9 <= found.value <= recent.max() + 1e-9
    assert 0.0 <= found.low <= found.value <= found.high
    one_chart = levels(series(value, own=np.hypot(share * value, least), common=common))
    for level in some(one_chart.levels):
        seen = [v for v, at in zip(value, s.at, strict=True) if level.since <= at.date() <= level.until]
        assert min(seen) - 1e-9 <= level.value <= max(seen) + 1e-9
        assert 0.0 <= level.low <= level.value <= level.high


def test_intervals_of_levels_have_nominal_coverage() -> None:
    """10,000 histories of 3 to 8 readings on one or two charts, with uncertainties evaluated at the measured value.

    Own errors of 2 to 15 % and 1 mg/L; 2 to 8 % in common to all readings of a chart.
    """
    rng, n = np.random.default_rng(346306), 10_000
    own, common = rng.uniform(0.02, 0.15, (n, 1)), rng.uniform(0.02, 0.08, (n, 1))
    true = np.exp(rng.uniform(np.log(20.0), np.log(400.0), n))
    count = rng.integers(3, 9, n)
    chart = (np.arange(8) >= rng.integers(1, 16, n)[:, None]).astype(np.int64)
    shared = np.take_along_axis(rng.standard_normal((n, 2)), chart, axis=1)
    u = np.hypot(1.0, own * true[:, None])
    value = np.maximum(true[:, None] * (1 + common * shared) + u * rng.standard_normal((n, 8)), 0.0)
    inside = 0
    for i, (t, k) in enumerate(zip(true.tolist(), count.tolist(), strict=True)):
        v, u = value[i, :k], np.hypot(1.0, own[i] * value[i, :k])
        found = recent_level(series(v, own=u, common=float(common[i, 0]), chart=chart[i, :k]))
        inside += found is not None and found.low <= t <= found.high
    assert 0.94 <= inside / n <= 0.96


def test_an_interval_truncated_at_zero_keeps_its_uncertainty() -> None:
    """The interval 0.00 to 0.04 about 0.01 is truncated at zero: its half-width is 0.03."""
    brief = ValueSummary("chlorine", "measured", value=0.01, low=0.0, high=0.04, u_same=0.01)
    occasion = Visit(at=START, batch="A", chart="a", values={"chlorine": brief}, readings=("r",))
    made = series_of("chlorine", [occasion])
    assert np.hypot(made.u_own, made.u_common) == pytest.approx([0.03 / 1.96], rel=1e-4)


def test_intervals_of_steps_include_the_charts_shared_error() -> None:
    """A chart that reads 10 % high makes a step 10 % too large, which its interval includes."""
    rng, sizes = np.random.default_rng(1994), []
    for _ in range(100):
        true = np.where(np.arange(24) < 12, 100.0, 200.0)
        value = true * (1 + 0.1 * rng.standard_normal()) * (1 + 0.04 * rng.standard_normal(24))
        sizes += [s for s in levels(series(value, own=0.04 * value, common=0.1)).steps if s.size > 30.0]
    assert len(sizes) == 100
    # 95 %, three standard deviations of a binomial.
    assert np.mean([s.low <= 100.0 <= s.high for s in sizes]) == pytest.approx(0.95, abs=0.065)
