"""The queue's order, its rules, and that it is the same each time."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stripread.review.queue import QueueFilter, queue
from stripread.review.session import ReviewSession
from stripread.store.models.evidence import ValueSummary
from stripread.store.review_reasons import LEAST, against_history, randomly_selected
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.stripread.review.conftest import Reader
from tests.stripread.store.histories import Value

#: An even history, and values about it.
EVEN = (58.0, 60.0, 62.0, 59.0, 61.0, 60.0, 63.0)


@pytest.fixture(autouse=True)
def _chosen(store: Store) -> None:
    """No reading is selected at random."""
    store.review = ReviewPolicy(share=0.0)


def hardness(value: float, half: float = 3.0) -> ValueSummary:
    return ValueSummary("hardness", "measured", value, value - half, value + half, 1.0)


def history(read: Reader, *, flags: tuple[str, ...] = ()) -> None:
    for week, value in enumerate(EVEN):
        read(f"week {week}", {"hardness": Value(value)}, day=7 * week, flags=flags)


def test_order_is_by_severity_then_number_of_reasons_then_age(store: Store, read: Reader) -> None:
    history(read)
    read("refused", {}, day=50)
    read("flagged", {"hardness": Value(61.0)}, day=51, flags=("glare",))
    read("flagged twice", {"hardness": Value(60.0)}, day=52, flags=("glare", "shadow"))
    read("off", {"hardness": Value(160.0)}, day=53)
    read("wide", {"hardness": Value(60.0, u=9.0)}, day=54)
    read("disputed", {"hardness": Value(60.0)}, day=55)
    store.review = ReviewPolicy(share=0.0, two_reviewers=True)
    ReviewSession(store, "ruth").accept("reading of disputed")
    ReviewSession(store, "omar").reject("reading of disputed", "value", "Too like the others.")
    waiting = queue(store)
    assert [e.photo for e in waiting] == ["disputed", "off", "flagged twice", "flagged", "refused", "wide"]
    assert [[w.kind for w in e.why] for e in waiting] == [
        ["disputed"], ["outlier"], ["flags", "flags"], ["flags"], ["refused"], ["wide"]]
    assert "160" in waiting[1].why[0].words
    assert waiting == queue(store)


def test_decided_readings_leave_the_queue_and_rejected_ones_the_history(store: Store, read: Reader) -> None:
    history(read)
    off = [read(f"off {i}", {"hardness": Value(160.0 + i)}, day=60 + i) for i in range(3)]
    assert [e.reading for e in queue(store)] == off
    desk = ReviewSession(store, "ruth")
    desk.accept(off[0], "The mains were changed.")
    desk.reject(off[1], "water", "Another tap.")
    assert [e.reading for e in queue(store)] == off[2:]


def test_old_samples_leave_the_queue_unless_a_decision_is_incomplete(store: Store, read: Reader) -> None:
    for name, days_ago in (("old", 91), ("begun", 91), ("late", 89)):
        read(name, {"hardness": Value(60.0)}, day=-days_ago, flags=("glare",))
    store.review = ReviewPolicy(share=0.0, two_reviewers=True)
    ReviewSession(store, "ruth").accept("reading of begun")
    assert [e.photo for e in queue(store)] == ["begun", "late"]


def test_an_outlier_is_found_against_the_ten_earlier_readings(store: Store, read: Reader) -> None:
    """An outlier is found against the ten before it, though they are long past."""
    for i in range(30):
        read(f"past {i}", {"hardness": Value(60.0 + i % 3)}, day=-900 + 7 * i)
    read("off", {"hardness": Value(160.0)})
    (entry,) = queue(store)
    assert (entry.photo, entry.why[0].kind) == ("off", "outlier")


def test_the_queue_is_limited_to_a_site_or_a_group(store: Store, read: Reader) -> None:
    read("flagged", {"hardness": Value(61.0)}, flags=("glare",))
    assert len(queue(store, QueueFilter(site="mill", group="north"))) == 1
    assert queue(store, QueueFilter(site="elsewhere")) == queue(store, QueueFilter(group="south")) == []


def test_readings_of_other_points_are_ignored(store: Store, read: Reader) -> None:
    history(read)
    read("behind", {"hardness": Value(5.0)}, day=60, point="behind")
    assert queue(store) == []


@pytest.mark.parametrize(("value", "found"), [(60.0, False), (65.3, False), (65.4, True), (54.6, True)])
def test_an_outlier_exceeds_three_and_a_half_robust_deviations(value: float, *, found: bool) -> None:
    """Median 60, median absolute deviation 1: the standard deviation is 1.4826 (of a normal), 3.5 of it 5.19.

    The reading's own standard uncertainty, 3 / 1.96 = 1.53, is larger; 3.5 of it is 5.36.
    """
    reasons = against_history([*map(hardness, EVEN), hardness(value)])
    assert any(f.kind == "outlier" for f in reasons.get(len(EVEN), ())) is found


def test_a_short_history_gives_no_reasons() -> None:
    assert not against_history([*map(hardness, EVEN[: LEAST - 1]), hardness(500.0, half=99.0)])


@given(st.lists(st.floats(1.0, 400.0), min_size=LEAST + 1, max_size=30), st.integers(-6, 6))
def test_a_reason_does_not_depend_on_the_unit(values: list[float], power: int) -> None:
    """Powers of two, which change no digit."""
    def reasons(by: float) -> dict[int, list[str]]:
        found = against_history([hardness(v * by, 3.0 * by) for v in values])
        return {place: [f.kind for f in those] for place, those in found.items()}

    assert reasons(1.0) == reasons(2.0 ** power)


def test_the_random_sample_has_its_share_and_is_reproducible() -> None:
    """Of 4000 ids within 3 standard deviations of 10 %; another seed draws others, a larger share the same and more.

    Readings are drawn by lots, 100 of 1000: two seeds share 10 of them (hypergeometric, standard deviation 2.85).
    """
    ids = [f"reading-{i}" for i in range(4000)]
    tenth, fifth, other = (
        {i for i in ids if randomly_selected(i, ReviewPolicy(share=share, seed=seed))}
        for share, seed in ((0.1, "s"), (0.2, "s"), (0.1, "t")))
    assert len(tenth) / 4000 == pytest.approx(0.1, abs=3 * (0.1 * 0.9 / 4000) ** 0.5)
    assert tenth < fifth
    deviation = (0.01 * 0.99 / 4000 + 0.00285**2) ** 0.5
    assert len(tenth & other) / 4000 == pytest.approx(0.01, abs=3 * deviation)
    assert not any(randomly_selected(i, ReviewPolicy(share=0.0)) for i in ids)
    assert all(randomly_selected(i, ReviewPolicy(share=1.0)) for i in ids)
