"""Counts and agreement from kept reviews."""

from __future__ import annotations

import pytest

from stripread.review.session import ReviewSession, summary
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.stripread.review.conftest import Reader
from tests.stripread.store.histories import Value


def test_agreement_is_computed_from_first_decisions(store: Store, read: Reader) -> None:
    """By hand: of 20 readings both accept 8, both reject 6, and they differ on 4 and 2.

    That is 14 of 20, and by chance 0.5 * 0.6 + 0.5 * 0.4 = 0.5, so kappa = (0.7 - 0.5) / 0.5 = 0.4.
    """
    store.review = ReviewPolicy(two_reviewers=True)
    ruth, omar = ReviewSession(store, "ruth"), ReviewSession(store, "omar")
    for i, said in enumerate(["aa"] * 8 + ["rr"] * 6 + ["ra"] * 4 + ["ar"] * 2):
        reading = read(f"photo {i}", {"hardness": Value(60.0)}, day=i)
        for desk, word in zip((ruth, omar), said, strict=True):
            desk.accept(reading) if word == "a" else desk.reject(reading, "strip", "not wetted")
    # A change of mind after the other reviewer's decision is not independent agreement.
    ruth.accept("reading of photo 14")
    found = summary(store)
    (pair,) = found.agreement
    assert pair.people == ("omar", "ruth")
    assert pair.kappa.n == 20
    assert (pair.kappa.observed, pair.kappa.value) == pytest.approx((0.7, 0.4))
    assert found.decisions == {"accepted": 23, "rejected": 18}
    assert found.review_status == {"accepted": 9, "rejected": 6, "disputed": 5}
    assert found.faults == {"strip": 18}


def test_an_empty_store_has_an_empty_summary(store: Store) -> None:
    found = summary(store)
    assert (found.reviews, found.agreement, found.review_status) == (0, (), {})
