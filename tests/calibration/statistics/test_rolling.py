"""The rolling statistics against the same computed value by value."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.statistics.outliers import robust_scale
from calibration.statistics.rolling import earlier, medians, robust_scales

#: Few different values, so that ties and histories without scatter come up.
SERIES = st.lists(st.sampled_from([1.0, 2.0, 2.5, 7.0, 400.0]), min_size=1, max_size=40)


@given(st.lists(SERIES, min_size=1, max_size=4), st.integers(1, 12))
def test_each_value_against_those_before_it_in_its_own_series(several: list[list[float]], most: int) -> None:
    windows = earlier(np.concatenate(several), most, [len(values) for values in several])
    middle, scale = medians(windows), robust_scales(windows)
    histories = [np.array(values[max(0, i - most) : i]) for values in several for i in range(len(values))]
    assert windows.shape == (len(histories), most)
    for i, before in enumerate(histories):
        assert middle[i] == pytest.approx(np.median(before) if len(before) else np.nan, nan_ok=True)
        if len(before):
            assert scale[i] == pytest.approx(robust_scale(before))


@given(SERIES, st.integers(1, 12))
def test_one_series_needs_no_lengths(values: list[float], most: int) -> None:
    np.testing.assert_array_equal(earlier(np.array(values), most), earlier(np.array(values), most, [len(values)]))
