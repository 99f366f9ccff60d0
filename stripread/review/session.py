"""Decisions on a reading, by a reviewer or by who took it, and statistics of reviewers' decisions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from calibration.statistics.agreement import Kappa, cohens_kappa
from shared.estimate import Estimate
from stripread.store.errors import ConflictError, RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Correction, Fault, Photograph, Review, ReviewDecision, StoredReading
from stripread.store.models.record import new_id
from stripread.store.reading_status import Decision, ReviewStatus, decisions_of, review_status, superseding
from stripread.store.settings import FILE_VARIABLE
from stripread.store.store import Store
from stripread.store.transaction import Transaction

FAULTS: Final[dict[Fault, str]] = {
    "picture": "poor photograph",
    "water": "wrong water or wrong sampling point",
    "strip": "strip dipped, wetted or placed incorrectly",
    "time": "photographed too early or too late",
    "material": "wrong or damaged batch, card or chart",
    "value": "value contradicts other information",
    "other": "other (describe)",
}


_OWN = "own reading, as the settings allow"
_DECISIONS = ("accepted", "rejected")
_WITHDRAWN = "withdrawn by the account that took it"


@dataclass(frozen=True, slots=True)
class ReviewSession:
    """Decisions of ``account`` under the review policy. Methods raise RecordsError if they are not permitted."""

    store: Store
    account: str

    def accept(self, reading: str, why: str = "", *, seen: str | None = None) -> Review:
        """Accept a reading; return the stored review. Raises RecordsError for a withdrawn reading.

        ``seen``: ID of the last decision that the reviewer has seen, "" for none [default: not checked]. Raises
        ConflictError where another reviewer has decided since.
        """
        return self._decide(reading, "accepted", why, seen=seen)

    def reject(self, reading: str, fault: Fault, why: str, *, seen: str | None = None) -> Review:
        """Exclude a reading from all results, with a reason; return the stored review. ``seen``: as in `accept`."""
        give_a_reason(why, f"reading {reading}")
        return self._decide(reading, "rejected", why, fault, seen=seen)

    def withdraw(self, reading: str, why: str = "") -> Review:
        """Take back this account's decision on a reading; return the stored review. Raises RecordsError without one."""
        with self.store.viewing() as connection:
            decisions = [d for d in decisions_of(connection, reading).get(reading, ()) if d.account == self.account]
        if not decisions or decisions[-1].decision == "withdrawn":
            raise RecordsError("this account has no decision to withdraw", where=f"reading {reading}",
                               found=f"account {self.account}",
                               remedy="list the decisions with `stripread readings show`")
        return self._decide(reading, "withdrawn", why)

    def correct(self, reading: str, estimate: Estimate, why: str) -> Correction:
        """Store a corrected value in addition to the measured one, which is unchanged; return the correction."""
        give_a_reason(why, f"reading {reading}")
        with self.store.writing(self.account) as transaction:
            stored, own = self.may_review(transaction, reading)
            _check_pad(stored, estimate.analyte)
            correction = Correction(id=new_id(), reading=reading, estimate=estimate, why=why, at=transaction.now,
                                    account=self.account, own=own)
            transaction.put(correction, "corrected", review_note(why, own=own))
        return correction

    def _decide(self, reading: str, decision: ReviewDecision, why: str,
                fault: Fault | None = None, *, seen: str | None = None) -> Review:
        with self.store.writing(self.account) as transaction:
            _, own = self.may_review(transaction, reading)
            if decision == "accepted":
                self._check_not_withdrawn(transaction.connection, reading)
            if seen is not None and not self.store.review.two_reviewers:
                self._check_seen(transaction.connection, reading, seen)
            review = Review(id=new_id(), reading=reading, decision=decision, why=why, at=transaction.now,
                            account=self.account, fault=fault, own=own)
            transaction.put(review, decision, review_note(why, own=own))
        return review

    def _check_not_withdrawn(self, connection: Connection, reading: str) -> None:
        for account, decision in _latest(connection, reading).items():
            if decision == "reading-withdrawn" and account != self.account:
                raise RecordsError("the reading is withdrawn", where=f"reading {reading}",
                                   found=f"withdrawn by account {account}",
                                   remedy="ask this account to restore it")

    def _check_seen(self, connection: Connection, reading: str, seen: str) -> None:
        """Raise ConflictError for a decision of another reviewer that this one would silently replace."""
        decisions = decisions_of(connection, reading).get(reading, [])
        known = next((n for n, d in enumerate(decisions, start=1) if d.id == seen), 0)
        valid = {d.account: d for d in decisions}
        for d in reversed(decisions[known:]):
            if d.account != self.account and d.decision in _DECISIONS and valid[d.account] is d:
                raise ConflictError(f"another account has {d.decision} this reading", where=f"reading {reading}",
                                    found=f"decision {d.id} by account {d.account}",
                                    remedy="check it, then send your decision with its ID as `seen`")

    def may_review(self, transaction: Transaction, reading: str) -> tuple[StoredReading, bool]:
        """Return the reading, and whether it is the reviewer's own. Raises RecordsError if review is not permitted."""
        check_role(transaction.current(Account, self.account), self.account)
        stored = transaction.current(StoredReading, reading)
        if stored is None:
            raise RecordsError("no such reading", where=self.store.where, found=reading,
                               remedy="list the IDs with `stripread readings list`")
        check_latest(transaction.connection, reading)
        photograph = transaction.current(Photograph, stored.photograph)
        own = self.account in (stored.account, photograph and photograph.account)
        if own and not self.store.review.own:
            raise RecordsError("reviewers must not review their own readings", where=f"reading {reading}",
                               found=f"account {self.account}",
                               remedy="ask another reviewer; if you work alone, set `own = true` in the section "
                                      f"[review] of the settings file ({FILE_VARIABLE}, else ~/.config/stripread.toml)")
        return stored, own


def review_note(why: str, *, own: bool) -> str:
    """Return the reason for the audit trail, which also records a review of one's own reading."""
    return f"{why} ({_OWN})".strip() if own else why


def give_a_reason(why: str, where: str) -> None:
    """Raise RecordsError if the reason is empty."""
    if not why.strip():
        raise RecordsError("a reason is required", where=where, found="none",
                           remedy="state the reason in a sentence")


def check_role(account: Account | None, id_: str) -> None:
    """Raise RecordsError if an account may not review."""
    if account is None or not account.active or "reviewer" not in account.roles:
        roles = ", ".join(account.roles) if account and account.active else "no active account"
        raise RecordsError("this account may not review", where=f"account {id_}", found=roles or "no roles",
                           allowed="accounts with the role reviewer")


def check_latest(connection: Connection, reading: str) -> None:
    """Raise RecordsError if the reading is superseded."""
    later = superseding(connection, reading)
    if later is not None:
        raise RecordsError("the reading was superseded", where=f"reading {reading}", found=f"current reading {later}",
                           remedy="review the current reading")


def _check_pad(stored: StoredReading, analyte: str) -> None:
    pads = [pad.analyte for pad in stored.reading.pads]
    if pads and analyte not in pads:
        raise RecordsError("the strip has no pad for this analyte", where=f"reading {stored.id}", found=analyte,
                           allowed=", ".join(pads))


#: Letters of a note.
NOTE_LETTERS = 2000


def withdraw_own(store: Store, by: str, reading: str, why: str) -> Review:
    """Withdraw a reading; return the withdrawal.

    Raises RecordsError for the reading of another account, and for one that a reviewer has decided on.
    """
    give_a_reason(why, f"reading {reading}")
    with store.writing(by) as transaction:
        _own(transaction, store, reading)
        for account, decision in _latest(transaction.connection, reading).items():
            if decision in _DECISIONS and account != by:
                raise RecordsError("a reviewer has decided on this reading", where=f"reading {reading}",
                                   found=f"{decision} by account {account}", allowed="readings without a review",
                                   remedy="ask a reviewer to reject it")
        return _put_own(transaction, reading, "reading-withdrawn", why)


def restore_own(store: Store, by: str, reading: str) -> Review:
    """Take back the withdrawal of a reading; return the decision. Raises RecordsError where it is not withdrawn."""
    with store.writing(by) as transaction:
        _own(transaction, store, reading)
        found = _latest(transaction.connection, reading).get(by, "no withdrawal")
        if found != "reading-withdrawn":
            raise RecordsError("the reading is not withdrawn", where=f"reading {reading}", found=found,
                               allowed="a reading that this account has withdrawn")
        return _put_own(transaction, reading, "withdrawn", "")


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


def _put_own(transaction: Transaction, reading: str, decision: Literal["reading-withdrawn", "withdrawn"], why: str
             ) -> Review:
    check_latest(transaction.connection, reading)
    review = Review(id=new_id(), reading=reading, decision=decision, why=why, at=transaction.now,
                    account=transaction.by)
    note = f"{why} ({_WITHDRAWN})" if decision == "reading-withdrawn" else "withdrawal taken back"
    transaction.put(review, "withdrawn" if decision == "reading-withdrawn" else "restored", note)
    return review


def _latest(connection: Connection, reading: str) -> dict[str, ReviewDecision]:
    """Return the latest decision of each account."""
    return {d.account: d.decision for d in decisions_of(connection, reading).get(reading, ())}


def _own(transaction: Transaction, store: Store, reading: str) -> Photograph:
    stored = transaction.current(StoredReading, reading)
    photograph = transaction.current(Photograph, stored.photograph) if stored else None
    if photograph is None:
        raise RecordsError("no such reading", where=store.where, found=reading)
    if photograph.account != transaction.by:
        raise RecordsError("only the account that took the photograph may do this", where=f"reading {reading}",
                           found=f"account {transaction.by}", remedy="ask a reviewer to reject it")
    return photograph


class ReviewerAgreement(msgspec.Struct, frozen=True, kw_only=True):
    """Agreement of two reviewers on the readings that both reviewed, from the first decision of each."""

    people: tuple[str, str]
    kappa: Kappa


class ReviewSummary(msgspec.Struct, frozen=True, kw_only=True):
    """Counts of reviews; ``review_status``: readings by it; ``own``: reviews of the reviewer's own readings."""

    reviews: int
    decisions: dict[str, int]
    review_status: dict[ReviewStatus, int]
    faults: dict[Fault, int]
    corrections: dict[str, int]
    own: int
    agreement: tuple[ReviewerAgreement, ...]


def summary(store: Store, since: datetime | None = None) -> ReviewSummary:
    """Return the statistics of all reviews, or of those since a time; status and agreement include all reviews."""
    reviews = [r for r in store.find(Review) if since is None or r.at >= since]
    corrections = [c for c in store.find(Correction) if since is None or c.at >= since]
    with store.viewing() as connection:
        decisions = decisions_of(connection)
    return ReviewSummary(
        reviews=len(reviews),
        decisions=dict(Counter(r.decision for r in reviews)),
        review_status=dict(Counter(review_status(of_reading, store.review) for of_reading in decisions.values())),
        faults=_in_order(Counter(r.fault for r in reviews if r.fault)),
        corrections=dict(Counter(c.analyte for c in corrections)),
        own=sum(r.own for r in reviews) + sum(c.own for c in corrections),
        agreement=tuple(_agreement(decisions.values())),
    )


def _in_order(faults: Counter[Fault]) -> dict[Fault, int]:
    return {fault: faults[fault] for fault in FAULTS if fault in faults}


def _agreement(readings: Iterable[Sequence[Decision]]) -> Iterator[ReviewerAgreement]:
    tables: dict[tuple[str, str], NDArray[np.int64]] = {}
    for decisions in readings:
        # Reversed, so that the first decision of each reviewer remains.
        first = {d.account: _DECISIONS.index(d.decision) for d in reversed(decisions) if d.decision in _DECISIONS}
        for one, other in combinations(sorted(first), 2):
            table = tables.setdefault((one, other), np.zeros((2, 2), dtype=np.int64))
            table[first[one], first[other]] += 1
    for people in sorted(tables):
        yield ReviewerAgreement(people=people, kappa=cohens_kappa(tables[people]))
