"""Who may decide what, and that the log says so."""

from __future__ import annotations

import json

import msgspec
import pytest
from sqlalchemy import select

from shared.estimate import Estimate
from stripread.monitoring.valid_readings import valid_readings
from stripread.review.session import ReviewSession, restore_own, summary, withdraw_own
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Correction, StoredReading
from stripread.store.reading_history import load_history
from stripread.store.reading_index import find_mismatch
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.schema import AUDIT_TRAIL
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.stripread.review.conftest import Reader
from tests.stripread.store.histories import ACCOUNT, Value, keep

HARDNESS = {"hardness": Value(60.0)}
BY_EYE = Estimate(analyte="hardness", value=95.0, low=87.0, high=103.0, unit="mg/L CaCO3")


def last_entry(store: Store) -> dict[str, str]:
    with store.viewing() as connection:
        text = connection.scalars(select(AUDIT_TRAIL.c.entry).order_by(AUDIT_TRAIL.c.seq.desc())).first()
    found: dict[str, str] = json.loads(text or "{}")
    return found


def test_a_rejected_reading_is_retained_and_excluded(store: Store, read: Reader) -> None:
    reading = read("one", HARDNESS)
    before = store.get(StoredReading, reading)
    ReviewSession(store, "ruth").reject(reading, "strip", "The strip lay on its side.")
    assert store.get(StoredReading, reading) == before
    assert [x.id for x in readings(store, ReadingFilter(reviewed="rejected"))] == [reading]
    assert [c.id for c in valid_readings(store)] == []
    store.review = ReviewPolicy(two_reviewers=True)
    assert readings(store, ReadingFilter(reviewed="rejected")) == []
    assert [c.id for c in valid_readings(store)] == [reading]
    entry = last_entry(store)
    assert (entry["who"], entry["what"], entry["why"]) == ("ruth", "rejected", "The strip lay on its side.")


def test_a_withdrawn_decision_leaves_the_reading_as_unreviewed(store: Store, read: Reader) -> None:
    reading = read("one", HARDNESS)
    session = ReviewSession(store, "ruth")
    with pytest.raises(RecordsError, match="no decision to withdraw"):
        session.withdraw(reading)
    session.reject(reading, "strip", "The strip lay on its side.")
    session.withdraw(reading)
    assert [x.reviewed for x in readings(store, ReadingFilter())] == ["unreviewed"]
    assert [c.id for c in valid_readings(store)] == [reading]
    with pytest.raises(RecordsError, match="no decision to withdraw"):
        session.withdraw(reading)
    session.accept(reading)
    assert [x.reviewed for x in readings(store, ReadingFilter())] == ["accepted"]
    with store.viewing() as connection:
        assert find_mismatch(connection) is None


def test_a_correction_is_stored_in_addition_to_the_measured_value(store: Store, read: Reader) -> None:
    reading = read("one", HARDNESS)
    ReviewSession(store, "ruth").correct(reading, BY_EYE, "The pad is half covered; by eye against the tube.")
    (kept,) = store.find(Correction, reading=reading)
    assert kept.estimate == BY_EYE
    assert store.get(StoredReading, reading).reading.pads[0].value == 60.0


def test_self_review_needs_a_setting_and_is_recorded(store: Store,
                                                                                       read: Reader) -> None:
    reading = read("one", HARDNESS)
    keep(store, Account(id=ACCOUNT, roles=("technician", "reviewer")))
    with pytest.raises(RecordsError, match="their own readings"):
        ReviewSession(store, ACCOUNT).accept(reading)
    store.review = ReviewPolicy(own=True)
    assert ReviewSession(store, ACCOUNT).accept(reading).own
    assert "own reading, as the settings allow" in last_entry(store)["why"]
    assert not ReviewSession(store, "ruth").accept(reading).own


def test_an_invalid_decision_is_rejected_and_nothing_is_written(store: Store, read: Reader) -> None:
    first = read("one", HARDNESS)
    desk = ReviewSession(store, "ruth")
    later = msgspec.structs.replace(store.get(StoredReading, first), id="again", supersedes=first)
    keep(store, later, Account(id="gone", roles=("reviewer",), active=False))
    head = store.head()
    for refused, message in (
        (lambda: desk.accept("nothing"), "no such reading"),
        (lambda: desk.accept(first), "superseded"),
        (lambda: desk.reject("again", "strip", "  "), "a reason is required"),
        (lambda: desk.correct("again", BY_EYE, ""), "a reason is required"),
        (
            lambda: desk.correct("again", msgspec.structs.replace(BY_EYE, analyte="ph"), "why"),
            "no pad for this analyte",
        ),
        (lambda: ReviewSession(store, ACCOUNT).accept("again"), "may not review"),
        (lambda: ReviewSession(store, "gone").accept("again"), "may not review"),
    ):
        with pytest.raises(RecordsError, match=message):
            refused()
    assert store.head() == head


def test_a_store_with_reviews_passes_verification(store: Store, read: Reader) -> None:
    readings = [read(name, HARDNESS) for name in ("one", "two")]
    for name in ("one", "two"):
        store.photographs.put(store.get(StoredReading, f"reading of {name}").photograph, name.encode())
    ReviewSession(store, "ruth").reject(readings[0], "time", "An hour late.")
    ReviewSession(store, "ruth").correct(readings[1], BY_EYE, "by eye")
    assert not verify_store(store).wrong


@pytest.mark.parametrize("two_reviewers", [False, True])
def test_a_withdrawn_reading_is_excluded_at_once_and_is_not_a_review(store: Store, read: Reader, *,
                                                                     two_reviewers: bool) -> None:
    reading = read("one", HARDNESS)
    store.review = ReviewPolicy(two_reviewers=two_reviewers)
    withdraw_own(store, ACCOUNT, reading, "wrong tap")
    assert last_entry(store)["what"] == "withdrawn"
    assert last_entry(store)["why"] == "wrong tap (withdrawn by the account that took it)"
    assert [x.reviewed for x in readings(store, ReadingFilter())] == [load_history(store, reading).review_status]
    assert [x.id for x in readings(store, ReadingFilter(reviewed="rejected"))] == [reading]
    assert [c.id for c in valid_readings(store)] == []
    with pytest.raises(RecordsError, match="the reading is withdrawn"):
        ReviewSession(store, "ruth").accept(reading)
    restore_own(store, ACCOUNT, reading)
    assert last_entry(store)["what"] == "restored"
    assert [x.reviewed for x in readings(store, ReadingFilter())] == ["unreviewed"]
    with pytest.raises(RecordsError, match="the reading is not withdrawn"):
        restore_own(store, ACCOUNT, reading)
    ReviewSession(store, "ruth").reject(reading, "water", "wrong tap")
    assert [x.reviewed for x in readings(store, ReadingFilter())] == ["waiting" if two_reviewers else "rejected"]
    assert summary(store).own == 0
    with store.viewing() as connection:
        assert find_mismatch(connection) is None


def test_a_technician_cannot_withdraw_a_reviewed_reading(store: Store, read: Reader) -> None:
    """A reviewer who takes the decision back makes it possible again."""
    reading = read("one", HARDNESS)
    ReviewSession(store, "ruth").accept(reading)
    head = store.head()
    with pytest.raises(RecordsError, match="a reviewer has decided on this reading") as refused:
        withdraw_own(store, ACCOUNT, reading, "wrong tap")
    assert "ask a reviewer to reject it" in str(refused.value)
    assert store.head() == head
    ReviewSession(store, "ruth").withdraw(reading)
    withdraw_own(store, ACCOUNT, reading, "wrong tap")
    assert [c.id for c in valid_readings(store)] == []
