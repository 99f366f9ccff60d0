"""What an account may change about the readings that it took: withdraw with a reason, restore, add a note.

A withdrawn reading counts as rejected: it is retained and excluded from lists, trends and verdicts.
"""

from __future__ import annotations

import msgspec

from stripread.review.session import check_latest, give_a_reason, review_note
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, Review, ReviewDecision, StoredReading
from stripread.store.models.record import new_id
from stripread.store.store import Store
from stripread.store.transaction import Transaction

#: Letters of a note.
NOTE_LETTERS = 2000


def withdraw_own(store: Store, by: str, reading: str, why: str) -> Review:
    """Withdraw a reading; return the stored decision. Raises RecordsError for the reading of another account."""
    give_a_reason(why, f"reading {reading}")
    return _decide(store, by, reading, "rejected", why)


def restore_own(store: Store, by: str, reading: str) -> Review:
    """Take back the withdrawal of a reading; return the stored decision."""
    return _decide(store, by, reading, "withdrawn", "")


def set_note(store: Store, by: str, reading: str, note: str) -> None:
    """Set the note of a reading's photograph. Raises RecordsError for a note that is too long."""
    text = note.strip()
    if len(text) > NOTE_LETTERS:
        raise RecordsError("the note is too long", where="note", found=f"{len(text)} characters",
                           allowed=f"at most {NOTE_LETTERS}")
    with store.writing(by) as transaction:
        photograph = _own(transaction, store, reading)
        if photograph.note != text:
            transaction.put(msgspec.structs.replace(photograph, note=text), "note changed")


def _decide(store: Store, by: str, reading: str, decision: ReviewDecision, why: str) -> Review:
    with store.writing(by) as transaction:
        _own(transaction, store, reading)
        check_latest(transaction.connection, reading)
        review = Review(id=new_id(), reading=reading, decision=decision, why=why, at=transaction.now, account=by,
                        own=True)
        transaction.put(review, decision, review_note(why, own=True))
    return review


def _own(transaction: Transaction, store: Store, reading: str) -> Photograph:
    stored = transaction.current(StoredReading, reading)
    photograph = transaction.current(Photograph, stored.photograph) if stored else None
    if photograph is None:
        raise RecordsError("no such reading", where=store.where, found=reading)
    if photograph.account != transaction.by:
        raise RecordsError("only the account that took the photograph may do this", where=f"reading {reading}",
                           found=f"account {transaction.by}", remedy="ask a reviewer to reject it")
    return photograph
