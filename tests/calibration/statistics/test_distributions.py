from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from calibration.statistics import distributions as d

DATA = Path(__file__).parents[2] / "data"
PROBABILITIES = (1e-6, 0.01, 0.3, 0.5001, 0.9, 0.95, 0.995, 0.99999)
DOF = (1, 2, 3, 7, 30, 61, 1000.5)


@pytest.mark.parametrize(("n", "t"), np.loadtxt(DATA / "epa-student-t.csv", delimiter=",").tolist())
def test_student_t_of_the_epa_table(n: float, t: float) -> None:
    assert d.t_quantile(0.99, n - 1) == pytest.approx(t, abs=0.0006)


@pytest.mark.parametrize("dof", DOF)
def test_quantiles_against_scipy(dof: float) -> None:
    for p in PROBABILITIES:
        assert d.t_quantile(p, dof) == pytest.approx(stats.t.ppf(p, dof), rel=1e-9)
        assert d.chi2_quantile(p, dof) == pytest.approx(stats.chi2.ppf(p, dof), rel=1e-9)
        for other in (1, 2, 9, 40):
            assert d.f_quantile(p, (other, dof)) == pytest.approx(stats.f.ppf(p, other, dof), rel=1e-9)


@pytest.mark.parametrize("dof", DOF)
def test_quantiles_go_back_to_their_probability(dof: float) -> None:
    for p in PROBABILITIES:
        assert d.chi2_cdf(d.chi2_quantile(p, dof), dof) == pytest.approx(p, rel=1e-9)
        assert d.f_cdf(d.f_quantile(p, (dof, 5)), (dof, 5)) == pytest.approx(p, rel=1e-9)
    assert d.f_cdf(float("inf"), (dof, 5)) == 1.0


@pytest.mark.parametrize("p", [-0.1, 1.0, float("nan")])
def test_no_quantile_outside_probabilities(p: float) -> None:
    with pytest.raises(ValueError, match="probability"):
        d.chi2_quantile(p, 3)


@pytest.mark.parametrize("dof", [2, 3, 5, 10, 50])
def test_noncentrality_misses_with_the_stated_probability(dof: int) -> None:
    critical = d.t_quantile(0.95, dof)
    assert stats.nct.cdf(critical, dof, d.t_noncentrality(dof, alpha=0.05, beta=0.1)) == pytest.approx(0.1, rel=1e-6)


def test_noncentrality_at_five_degrees_of_freedom() -> None:
    """ISO 11843-2:2000, table 1, from memory: 3.870 for nu = 5, alpha = beta = 0.05."""
    assert d.t_noncentrality(5, alpha=0.05, beta=0.05) == pytest.approx(3.870, abs=0.0005)
