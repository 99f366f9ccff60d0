"""Steps and lines in values whose errors are known, partly shared: against other ways to the same numbers."""

from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.statistics.change import cusum, find_step, run_length, two_sided
from calibration.statistics.least_squares import (
    MeasuredValues,
    covariance,
    fit,
    fit_correlated,
    mean_correlated,
    predicted,
    straight,
)

Array = NDArray[np.float64]
X = np.arange(20.0)


def batches(n: int, at: int) -> Array:
    return (np.arange(n) >= at).astype(np.float64)


def test_without_shared_errors_it_is_the_weighted_fit() -> None:
    """Errors that differ, but do not grow with the value."""
    rng = np.random.default_rng(28037)
    u = np.tile([2.0, 0.5], 10)
    y = 3.0 + 0.5 * X + u * rng.standard_normal(20)
    plain = fit(straight(X), y, u=u)
    found = fit_correlated(straight(X), MeasuredValues(y, u, np.zeros(20), np.zeros(20)))
    assert found.coefficients == pytest.approx(plain.coefficients)
    assert found.covariance == pytest.approx(plain.covariance)


def test_a_shared_error_affects_the_level_and_not_the_slope() -> None:
    ones, none = np.ones(20), np.zeros(20)
    alone, shared = (fit_correlated(straight(X - 9.5), MeasuredValues(X, ones, c * ones, none)) for c in (0.0, 2.0))
    assert shared.covariance[0, 0] == pytest.approx(alone.covariance[0, 0] + 4.0)
    assert shared.u[1] == pytest.approx(alone.u[1])


def test_the_mean_in_closed_form_is_the_fit_of_a_level() -> None:
    value = np.array([52.0, 50.0, 57.0, 44.0, 49.0, 51.0])
    measured = MeasuredValues(value, np.linspace(0.1, 0.2, 6) * value, 0.07 * value, batches(6, 2))
    level = fit_correlated(np.ones((6, 1)), measured)
    assert mean_correlated(measured) == pytest.approx((level.coefficients[0], level.u[0]))


def test_prediction_intervals_contain_the_next_value_as_often_as_stated() -> None:
    rng = np.random.default_rng(8466)
    u = np.ones(20)
    inside = 0
    for _ in range(1000):
        y = 1.0 + 0.1 * X + rng.standard_normal(20)
        line = fit_correlated(straight(X), MeasuredValues(y, u, 0 * u, 0 * u))
        _, low, high = predicted(line, np.array([1.0, 25.0]), u=1.0)
        inside += low <= 1.0 + 2.5 + rng.standard_normal() <= high
    # 95 %, three standard deviations of a binomial.
    assert inside / 1000 == pytest.approx(0.95, abs=0.021)


def test_a_step_is_found_where_it_is_and_as_large_as_it_is() -> None:
    rng = np.random.default_rng(1977)
    held, errors = 0, []
    for _ in range(200):
        y = rng.standard_normal(40) + 3.0 * (np.arange(40) >= 25)
        found = find_step(y, np.eye(40))
        assert found is not None
        first, last = found.span()
        held += first <= 25 <= last
        errors.append((found.size - 3.0) / found.u)
        assert found.probability < 0.01
    assert held / 200 > 0.9
    assert np.std(errors) == pytest.approx(1.0, abs=0.2)


def test_size_and_uncertainty_are_those_of_two_means() -> None:
    y = np.array([1.0, 2.0, 3.0, 9.0, 10.0, 11.0, 10.0])
    found = find_step(y, 4.0 * np.eye(7))
    assert found is not None
    assert found.place == 3
    assert (found.size, found.u) == pytest.approx((8.0, 2.0 * np.sqrt(1 / 3 + 1 / 4)))


def test_a_step_where_batches_meet_has_to_be_larger() -> None:
    y = np.where(np.arange(20) < 10, 0.0, 3.0)
    u, group = np.ones(20), batches(20, 10)
    plain, shared = (find_step(y, covariance(u, np.full(20, common), group)) for common in (0.0, 2.0))
    assert plain is not None
    assert shared is not None
    assert plain.probability < 0.001
    assert shared.u == pytest.approx(np.sqrt(2 / 10 + 2 * 2.0**2))
    assert shared.probability > 0.05


@pytest.mark.parametrize("common", [0.0, 1.5])
def test_false_alarms_are_as_rare_as_stated(common: float) -> None:
    rng = np.random.default_rng(1)
    matrix = covariance(np.linspace(0.5, 2.0, 30), np.full(30, common), batches(30, 12))
    root = np.linalg.cholesky(matrix)
    false = 0
    for _ in range(400):
        found = find_step(root @ rng.standard_normal(30), matrix)
        assert found is not None
        false += found.probability <= 0.05
    # 5 %, three standard deviations of a binomial.
    assert false / 400 == pytest.approx(0.05, abs=0.033)


def test_probability_of_a_single_place_is_that_of_the_normal_distribution() -> None:
    y = np.array([0.0, 0.0, 2.0, 2.0])
    found = find_step(y, np.eye(4))
    assert found is not None
    assert found.probability == pytest.approx(2 * NormalDist().cdf(-2.0), abs=0.015)


def test_too_few_values_have_no_step() -> None:
    assert find_step(np.zeros(3), np.eye(3)) is None


DATA = Path(__file__).parents[2] / "data"
#: Lucas and Crosier, Technometrics 24:199, 1982, table 5: a process off from the start; limit 5, reference 0.5.
LUCAS = np.array([0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6])


def test_sums_of_the_nist_handbook() -> None:
    result, high, low = np.loadtxt(DATA / "nist-handbook-cusum.csv", delimiter=",", unpack=True)
    found = cusum(result - 325.0, reference=0.3175, limit=4.1959)
    assert found.high == pytest.approx(high, abs=0.006)
    assert found.low == pytest.approx(low, abs=0.006)
    assert (found.first, found.upwards, found.onset) == (13, True, 12)


def test_head_start_of_lucas_and_crosier() -> None:
    plain, quick = cusum(LUCAS), cusum(LUCAS, head_start=2.5)
    assert plain.high == pytest.approx([0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0])
    assert quick.high == pytest.approx([2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5])
    assert (plain.first, quick.first) == (6, 2)
    assert plain.onset == 0


@pytest.mark.parametrize(("limit", "shift", "published"), [
    (4.0, 0.0, 168.0), (4.0, 1.0, 8.38), (5.0, 0.0, 465.0), (5.0, 0.5, 38.0), (5.0, 1.0, 10.4), (5.0, 2.0, 4.01)])
def test_run_lengths_of_lucas_and_crosier(limit: float, shift: float, published: float) -> None:
    """Both sums, reference 0.5: Lucas and Crosier 1982, table 1; from memory."""
    found = two_sided(run_length(shift, limit=limit), run_length(-shift, limit=limit))
    assert found == pytest.approx(published, rel=0.005)


def test_a_head_start_answers_sooner() -> None:
    """Lucas and Crosier 1982, table 1, limit 5 and head start 2.5: 6.35 values for a shift of 1; from memory."""
    assert run_length(1.0, head_start=2.5) == pytest.approx(6.35, abs=0.05)


def test_both_directions_are_alike_and_no_signal_is_reported() -> None:
    up, down = cusum(LUCAS), cusum(-LUCAS)
    assert np.array_equal(up.high, down.low)
    assert not down.upwards
    quiet = cusum(np.zeros(4))
    assert quiet.first is None
    with pytest.raises(ValueError, match="no alarm"):
        _ = quiet.onset
