"""The rolling statistics against the same computed value by value."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from scipy import integrate, stats

from calibration.statistics.outliers import (
    algorithm_a,
    earlier,
    grubbs,
    grubbs_critical,
    medians,
    modified_z,
    robust_scale,
    robust_scales,
)

DATA = Path(__file__).parents[2] / "data"


@pytest.mark.parametrize(("n", "five", "one"), np.loadtxt(DATA / "grubbs-two-sided.csv", delimiter=","))
def test_grubbs_table(n: float, five: float, one: float) -> None:
    assert grubbs_critical(int(n), 0.05) == pytest.approx(five, abs=0.0006)
    assert grubbs_critical(int(n), 0.01) == pytest.approx(one, abs=0.0006)


def test_straggler_and_outlier() -> None:
    """Critical for n = 6, ISO 5725-2: 1.887 at 5 %, 1.973 at 1 %; the last value alone is moved."""
    base = [10.0, 10.1, 9.9, 10.05, 9.95]
    verdicts = []
    for last in (10.4, 10.5, 12.0):
        found = grubbs(np.array([*base, last]))
        assert found is not None
        verdicts.append((found.index == 5, found.verdict))
    assert verdicts == [(True, "consistent"), (True, "straggler"), (True, "outlier")]


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 2.0], [3.0, 3.0, 3.0, 3.0]])
def test_grubbs_has_no_result_where_no_value_can_be_an_outlier(values: list[float]) -> None:
    assert grubbs(np.array(values)) is None


def test_algorithm_a_on_the_copper_determinations() -> None:
    """Its 1.134 is rounded, so it stays within 0.001 of Huber's proposal 2 itself."""
    mean, spread = algorithm_a(np.loadtxt(DATA / "amc-copper.csv"))
    assert mean == pytest.approx(3.2055, abs=0.001)
    assert spread == pytest.approx(0.6737, abs=0.001)


def test_algorithm_a_of_one_value_is_that_value() -> None:
    assert algorithm_a(np.array([5.0])) == (5.0, 0.0)


@given(st.lists(st.integers(0, 5), min_size=1, max_size=12))
@example([0, 0, 0, 0, 5])
def test_algorithm_a_ends_where_pulling_in_changes_nothing(values: list[int]) -> None:
    """The equations of ISO 13528:2022, C.3.1. Four equal values of five pull the fifth in completely."""
    x = np.array(values, dtype=np.float64)
    mean, spread = algorithm_a(x)
    pulled = np.clip(x, mean - 1.5 * spread, mean + 1.5 * spread)
    assert pulled.mean() == pytest.approx(mean, abs=1e-6)
    assert 1.134 * pulled.std() * np.sqrt(len(x) / max(len(x) - 1, 1)) == pytest.approx(spread, abs=1e-6)


def test_shrinkage_of_algorithm_a_is_that_of_a_normal_pulled_in_at_one_and_a_half() -> None:
    inside, _ = integrate.quad(lambda z: z * z * stats.norm.pdf(z), -1.5, 1.5)
    variance = inside + 2 * 1.5**2 * stats.norm.sf(1.5)
    assert variance**-0.5 == pytest.approx(1.134, abs=0.001)


def test_modified_z_names_the_two_suspects() -> None:
    """28.95, a decimal point slipped, and 5.28: the two that the literature on these data suspects."""
    z = np.abs(modified_z(np.loadtxt(DATA / "amc-copper.csv")))
    assert np.flatnonzero(z > 3.5).tolist() == [12, 16]


def test_scale_survives_a_majority_of_equal_values() -> None:
    assert robust_scale(np.array([5.0, 5.0, 5.0, 5.0, 7.0])) > 0
    assert modified_z(np.array([5.0, 5.0, 5.0])).tolist() == [0, 0, 0]


@given(st.lists(st.floats(-100, 100), min_size=3, max_size=30), st.floats(0.1, 10), st.floats(-50, 50))
def test_robust_mean_moves_with_its_values(values: list[float], factor: float, shift: float) -> None:
    x = np.round(np.array(values), 3)
    mean, spread = algorithm_a(x)
    moved_mean, moved_spread = algorithm_a(factor * x + shift)
    assert moved_mean == pytest.approx(factor * mean + shift, abs=1e-5)
    assert moved_spread == pytest.approx(factor * spread, abs=1e-5)


#: Few different values, so that ties and histories without scatter come up.
SERIES = st.lists(st.sampled_from([1.0, 2.0, 2.5, 7.0, 400.0]), min_size=1, max_size=40)


@given(st.lists(SERIES, min_size=1, max_size=4), st.integers(1, 12))
def test_each_value_against_those_before_it_in_its_own_series(several: list[list[float]], most: int) -> None:
    windows = earlier(np.concatenate(several), most, [len(values) for values in several])
    middle, scale = medians(windows), robust_scales(windows)
    histories = [np.array(values[max(0, i - most) : i]) for values in several for i in range(len(values))]
    assert windows.shape == (len(histories), most)
    firsts = np.array([len(before) == 0 for before in histories])
    assert np.isnan(middle[firsts]).all()
    assume(not firsts.all())
    later = [before for before in histories if len(before)]
    assert middle[~firsts] == pytest.approx([np.median(before) for before in later])
    assert scale[~firsts] == pytest.approx([robust_scale(before) for before in later])


@given(SERIES, st.integers(1, 12))
def test_one_series_needs_no_lengths(values: list[float], most: int) -> None:
    np.testing.assert_array_equal(earlier(np.array(values), most), earlier(np.array(values), most, [len(values)]))
