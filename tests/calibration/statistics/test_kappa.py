"""Cohen's kappa against printed output of a statistics package, by simulation, and at its ends."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.statistics.kappa import cohens_kappa

#: A table of two raters, and SAS/STAT's printout for it (kappa, ASE, 95 % limits), as kept in the tests of statsmodels
#: (stats/tests/test_inter_rater.py, BSD-3).
PRINTED = ([[0, 4, 1], [0, 8, 0], [0, 1, 5]], 0.4842, 0.1380, 0.2137, 0.7547)


def test_a_printed_example() -> None:
    table, value, se, low, high = PRINTED
    kappa = cohens_kappa(np.array(table))
    assert kappa.value == pytest.approx(value, abs=5e-5)
    assert kappa.se == pytest.approx(se, abs=5e-5)
    assert kappa.interval == pytest.approx((low, high), abs=1e-4)


def test_the_interval_covers_as_often_as_it_says() -> None:
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
def test_who_of_the_two_is_named_first_does_not_matter(cells: list[int]) -> None:
    counts = np.array(cells).reshape(3, 3)
    one, other = cohens_kappa(counts), cohens_kappa(counts.T)
    assert (one.value is None) == (other.value is None)
    if one.value is not None:
        assert one.value == pytest.approx(other.value)
        assert one.se == pytest.approx(other.se)
        assert one.value <= 1.0 + 1e-12


def test_where_kappa_says_nothing_it_has_no_value() -> None:
    assert cohens_kappa(np.array([[7, 0], [0, 0]])).value is None
    assert cohens_kappa(np.array([[7, 0], [0, 3]])).value == 1.0
    with pytest.raises(ValueError, match="without anything to agree on"):
        cohens_kappa(np.zeros((2, 2), dtype=int))
