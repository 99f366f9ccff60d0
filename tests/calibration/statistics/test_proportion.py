import pytest
from scipy import stats

from calibration.statistics.proportion import at_most, exact_interval


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
