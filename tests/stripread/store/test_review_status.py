"""What decisions leave, with one person deciding and with two."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stripread.store.review_status import Decision, Standing, review_status
from stripread.store.settings import ReviewPolicy

#: Who said what in order (a capital letter is a rejection, a minus after it its withdrawal), the standing by one
#: person's word, and by two people's.
CASES: tuple[tuple[str, Standing, Standing], ...] = (
    ("", "unreviewed", "unreviewed"),
    ("r", "accepted", "waiting"),
    ("R", "rejected", "waiting"),
    ("rr", "accepted", "waiting"),
    ("ro", "accepted", "accepted"),
    ("rO", "rejected", "disputed"),
    ("rOR", "rejected", "rejected"),
    ("rOi", "accepted", "disputed"),
    ("rOI", "rejected", "rejected"),
    ("roO", "rejected", "disputed"),
    ("rr-", "unreviewed", "unreviewed"),
    ("roo-", "accepted", "waiting"),
    ("rOr-", "rejected", "waiting"),
    ("rr-R", "rejected", "waiting"),
    ("rOO-i", "accepted", "accepted"),
)
ONE, TWO = ReviewPolicy(), ReviewPolicy(two_reviewers=True)
WORDS = st.lists(st.sampled_from("rRoOiI"), max_size=8).map("".join)


def words(text: str) -> list[Decision]:
    return [Decision(letter.lower(), "withdrawn" if back else "rejected" if letter.isupper() else "accepted")
            for letter, back in re.findall(r"(\w)(-?)", text)]


@pytest.mark.parametrize(("said", "by_one", "by_two"), CASES)
def test_the_status_follows_from_the_decisions_in_order(said: str, by_one: Standing, by_two: Standing) -> None:
    assert review_status(words(said), ONE) == by_one
    assert review_status(words(said), TWO) == by_two


@given(WORDS)
def test_two_reviewers_must_agree(said: str) -> None:
    decided = review_status(words(said), TWO)
    last = {letter.lower(): letter for letter in said}
    if decided in ("accepted", "rejected"):
        assert sum(letter.isupper() == (decided == "rejected") for letter in last.values()) >= 2
        assert decided == review_status(words(said), ONE)
