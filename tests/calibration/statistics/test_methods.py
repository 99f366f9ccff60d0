"""Two ways to measure the same things: agreement and lines, against published examples and ODRPACK."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from odrpack import odr_fit

from calibration.statistics.agreement import Points, cohens_kappa, deming, jackknife, limits_of_agreement

Array = NDArray[np.float64]
DATA = Path(__file__).parents[2] / "data"


def columns(name: str) -> Array:
    return np.loadtxt(DATA / name, delimiter=",", unpack=True)


def odrpack_line(points: Points) -> tuple[Array, Array]:
    """Slope and intercept, and their standard errors without the scaling by residuals."""
    found = odr_fit(lambda x, beta: beta[0] * x + beta[1], points.x, points.y, np.array([1.0, 0.0]),
                    weight_x=points.u_x**-2, weight_y=points.u_y**-2, diff_scheme="central", maxit=500, sstol=1e-14,
                    partol=1e-14)
    return found.beta, np.sqrt(np.diag(found.cov_beta))


def test_peak_flow_of_bland_and_altman() -> None:
    """The paper works on with mean and s as rounded, hence the tolerances of what follows from them."""
    wright, mini = columns("bland-altman-pefr.csv")
    found = limits_of_agreement(wright - mini, reach=2.0)
    assert found.n == 17
    assert (found.bias, found.s) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert found.limits == pytest.approx((-79.7, 75.5), abs=0.15)
    assert found.bias_interval == pytest.approx((-22.0, 17.8), abs=0.15)
    assert found.lower_interval == pytest.approx((-114.3, -45.1), abs=0.25)
    assert found.upper_interval == pytest.approx((40.9, 110.1), abs=0.25)


def test_two_differences_have_no_limits() -> None:
    with pytest.raises(ValueError, match="2 differences"):
        limits_of_agreement(np.array([1.0, 2.0]))


def test_line_of_pearson_and_york() -> None:
    x, w_x, y, w_y = columns("pearson-york.csv")
    line = deming(Points(x, y, w_x**-0.5, w_y**-0.5))
    assert (line.slope, line.intercept) == pytest.approx((-0.480533, 5.47991), abs=1e-5)
    assert (line.u_slope, line.u_intercept) == pytest.approx((0.0580, 0.295), abs=5e-4)
    # Chi-square of the fit, 11.8664 on 8 degrees of freedom, as published with it; from memory.
    assert 8 * line.s**2 == pytest.approx(11.8664, abs=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_line_of_odrpack(seed: int) -> None:
    rng = np.random.default_rng(seed)
    true = rng.uniform(20.0, 200.0, 25)
    u_x, u_y = rng.uniform(1.0, 6.0, 25), rng.uniform(1.0, 10.0, 25)
    points = Points(true + u_x * rng.standard_normal(25), 4.0 + 0.9 * true + u_y * rng.standard_normal(25), u_x, u_y)
    line = deming(points)
    (slope, intercept), (u_slope, u_intercept) = odrpack_line(points)
    assert (line.slope, line.intercept) == pytest.approx((slope, intercept), rel=1e-6)
    # Taken at the adjusted points here, at ODRPACK's linearisation there.
    assert (line.u_slope, line.u_intercept) == pytest.approx((u_slope, u_intercept), rel=0.02)


def test_equal_errors_give_deming_in_closed_form() -> None:
    """Deming 1943; with errors alike in both, the major axis (Linnet, Clin. Chem. 39:424, 1993)."""
    wright, mini = columns("bland-altman-pefr.csv")
    line = deming(Points(wright, mini, np.ones(17), np.ones(17)))
    sxx, syy, sxy = (float(((a - a.mean()) * (b - b.mean())).sum()) for a, b in (
        (wright, wright), (mini, mini), (wright, mini)))
    assert line.slope == pytest.approx((syy - sxx + np.hypot(syy - sxx, 2 * sxy)) / (2 * sxy), rel=1e-10)


def test_exchanging_the_axes_gives_the_same_line() -> None:
    x, w_x, y, w_y = columns("pearson-york.csv")
    points = Points(x, y, w_x**-0.5, w_y**-0.5)
    there, back = deming(points), deming(Points(points.y, points.x, points.u_y, points.u_x))
    assert there.slope * back.slope == pytest.approx(1.0, rel=1e-9)
    assert back.intercept == pytest.approx(-there.intercept / there.slope, rel=1e-9)


def test_jackknife_intervals_contain_the_true_value_as_often_as_stated() -> None:
    """Even where the stated errors are both too small by half: only their ratio counts."""
    rng = np.random.default_rng(1990)
    held = 0
    for _ in range(300):
        true = rng.uniform(20.0, 200.0, 30)
        ones = np.ones(30)
        found = jackknife(Points(true + 4 * rng.standard_normal(30), 5.0 + 1.1 * true + 8 * rng.standard_normal(30),
                                 2 * ones, 4 * ones))
        held += found.slope[0] <= 1.1 <= found.slope[1]
    # 95 %; three standard deviations of a binomial.
    assert held / 300 == pytest.approx(0.95, abs=0.04)


def test_points_that_are_no_line_are_refused() -> None:
    two = np.array([1.0, 1.0, 2.0])
    with pytest.raises(ValueError, match="three points"):
        deming(Points(two, two, two, two))


#: A table of two raters, and SAS/STAT's printout for it (kappa, ASE, 95 % limits), as kept in the tests of statsmodels
#: (stats/tests/test_inter_rater.py, BSD-3).
PRINTED = ([[0, 4, 1], [0, 8, 0], [0, 1, 5]], 0.4842, 0.1380, 0.2137, 0.7547)


def test_a_printed_example() -> None:
    table, value, se, low, high = PRINTED
    kappa = cohens_kappa(np.array(table))
    assert kappa.value == pytest.approx(value, abs=5e-5)
    assert kappa.se == pytest.approx(se, abs=5e-5)
    assert kappa.interval == pytest.approx((low, high), abs=1e-4)


def test_the_interval_has_its_nominal_coverage() -> None:
    """400 tables of 200 pairs drawn from known shares: within 3 standard errors of 95 %."""
    shares = np.array([[0.55, 0.10], [0.08, 0.27]])
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    truth = (np.trace(shares) - rows @ columns) / (1 - rows @ columns)
    rng = np.random.default_rng(20310)
    held = 0
    for counts in rng.multinomial(200, shares.ravel(), size=400):
        low, high = cohens_kappa(counts.reshape(2, 2)).interval or (np.nan, np.nan)
        held += low <= truth <= high
    assert held / 400 == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 400))


@given(st.lists(st.integers(0, 20), min_size=9, max_size=9).filter(any))
def test_the_order_of_the_two_reviewers_does_not_matter(cells: list[int]) -> None:
    counts = np.array(cells).reshape(3, 3)
    one, other = cohens_kappa(counts), cohens_kappa(counts.T)
    assert (one.value is None) == (other.value is None)
    assume(one.value is not None)
    assert one.value == pytest.approx(other.value)
    assert one.se == pytest.approx(other.se)
    assert one.value is not None
    assert one.value <= 1.0 + 1e-12


def test_kappa_is_none_where_it_is_undefined() -> None:
    assert cohens_kappa(np.array([[7, 0], [0, 0]])).value is None
    assert cohens_kappa(np.array([[7, 0], [0, 3]])).value == 1.0
    with pytest.raises(ValueError, match="at least one decision"):
        cohens_kappa(np.zeros((2, 2), dtype=int))
