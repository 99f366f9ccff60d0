"""Exhaustion predicted from capacity: draws of the same model as a second way to the interval."""

import numpy as np
import pytest

from assess.treatment.upkeep import STEEPNESS
from stripread.monitoring.trend.drift import days_to_share


@pytest.mark.parametrize(("share", "unchanged"), [(0.5, 0.0), (0.2, 0.0), (0.2, 120.0), (0.7, 150.0)])
def test_the_interval_contains_95_percent_of_simulated_units(share: float, unchanged: float) -> None:
    """Capacity off by 20 %, flow by 10 %, load by 8 %; those that had risen by the last reading are excluded."""
    rng, n = np.random.default_rng(3), 200_000
    half = 150.0 * np.exp(np.sqrt(0.2**2 + 0.1**2 + 0.08**2) * rng.standard_normal(n))
    low_steep, high_steep = np.log(STEEPNESS)
    steep = np.exp(rng.uniform(low_steep, high_steep, n))
    unseen = 1 / (1 + np.exp(-steep * (unchanged / half - 1))) < 0.25 if unchanged else np.ones(n, bool)
    days = (half * (1 + np.log(share / (1 - share)) / steep))[unseen]
    middle, low, high = days_to_share(150.0, share, unchanged)
    assert np.mean((low <= days) & (days <= high)) == pytest.approx(0.95, abs=0.012)
    assert middle == pytest.approx(np.median(days), rel=0.02)


def test_a_unit_that_outlasts_every_expectation_is_still_dated() -> None:
    middle, low, high = days_to_share(100.0, 0.5, 400.0)
    assert 100.0 < low < middle < high
