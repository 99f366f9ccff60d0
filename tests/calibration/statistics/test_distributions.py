from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from calibration.statistics import distributions as d
from calibration.statistics.distributions import at_most, exact_interval

DATA = Path(__file__).parents[2] / "data"


@pytest.mark.parametrize(("n", "t"), np.loadtxt(DATA / "epa-student-t.csv", delimiter=",").tolist())
def test_student_t_of_the_epa_table(n: float, t: float) -> None:
    assert d.t_quantile(0.99, n - 1) == pytest.approx(t, abs=0.0006)


@pytest.mark.parametrize("dof", [1, 2, 7, 61, 1000.5])
def test_each_name_is_what_scipy_stats_calls_so(dof: float) -> None:
    """SciPy's special functions take their arguments in orders of their own, and chi-square by its upper tail."""
    for p in (0.01, 0.5001, 0.95, 0.995):
        assert d.t_quantile(p, dof) == pytest.approx(stats.t.ppf(p, dof), rel=1e-9)
        assert d.chi2_quantile(p, dof) == pytest.approx(stats.chi2.ppf(p, dof), rel=1e-9)
    for x in (0.1, 3.0, 300.0):
        assert d.chi2_tail(x, dof) == pytest.approx(stats.chi2.sf(x, dof), rel=1e-9)
        assert d.f_tail(x, (3, dof)) == pytest.approx(stats.f.sf(x, 3, dof), rel=1e-9)


@pytest.mark.parametrize("dof", [2, 3, 5, 10, 50])
def test_noncentrality_misses_with_the_stated_probability(dof: int) -> None:
    critical = d.t_quantile(0.95, dof)
    assert stats.nct.cdf(critical, dof, d.t_noncentrality(dof, alpha=0.05, beta=0.1)) == pytest.approx(0.1, rel=1e-6)


def test_noncentrality_at_five_degrees_of_freedom() -> None:
    """ISO 11843-2:2000, table 1, from memory: 3.870 for nu = 5, alpha = beta = 0.05."""
    assert d.t_noncentrality(5, alpha=0.05, beta=0.05) == pytest.approx(3.870, abs=0.0005)


@pytest.mark.parametrize(("hits", "n"), [(0, 10), (10, 10), (9, 10), (19, 20), (37, 50), (1, 3)])
def test_against_scipy(hits: int, n: int) -> None:
    found = stats.binomtest(hits, n).proportion_ci(0.95, method="exact")
    assert exact_interval(hits, n) == pytest.approx((found.low, found.high), abs=1e-9)
    assert at_most(hits, n, 0.95) == pytest.approx(stats.binom.cdf(hits, n, 0.95), abs=1e-12)


@pytest.mark.parametrize("n", [1029, 1030, 100_000])
def test_at_most_of_many(n: int) -> None:
    hits = round(0.95 * n)
    assert at_most(hits, n, 0.95) == pytest.approx(stats.binom.cdf(hits, n, 0.95), rel=1e-9)
    assert at_most(n, n, 0.95) == 1.0


def test_none_of_ten_is_at_most_31_per_cent() -> None:
    """The rule 1 - 0.025^(1/n) for no hits, in closed form."""
    assert exact_interval(0, 10) == pytest.approx((0.0, 1 - 0.025**0.1))
