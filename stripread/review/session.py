"""A reviewer's desk: accept, reject, or set a value beside the one that was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from sqlalchemy import Connection

from shared.estimate import Estimate
from stripread.store.current import superseding
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Correction, Fault, Photograph, Review, StoredReading
from stripread.store.models.record import new_id
from stripread.store.settings import FILE_VARIABLE
from stripread.store.store import Store
from stripread.store.transaction import Transaction

FAULTS: Final[dict[Fault, str]] = {
    "picture": "the picture does not show it well enough",
    "water": "it is not the water, or not the place, that it is said to be",
    "strip": "the strip was dipped, wetted or laid wrongly",
    "time": "it was photographed too early or too late",
    "material": "batch, card or chart is the wrong one, or spoilt",
    "value": "the value contradicts what else is known",
    "other": "something else, told in words",
}


_OWN = "own reading, which the settings allow"


@dataclass(frozen=True, slots=True)
class ReviewSession:
    """Decisions of ``account`` under the store's review policy. Every method raises RecordsError where it may not."""

    store: Store
    account: str

    def accept(self, reading: str, why: str = "") -> Review:
        """The reading is sound."""
        return self._decide(reading, "accepted", why)

    def reject(self, reading: str, fault: Fault, why: str) -> Review:
        """The reading shall not count, for a reason that is kept with it."""
        give_a_reason(why, f"reading {reading}")
        return self._decide(reading, "rejected", why, fault)

    def correct(self, reading: str, estimate: Estimate, why: str) -> Correction:
        """Keep a person's value beside the reading's own; what was read stays as it was read."""
        give_a_reason(why, f"reading {reading}")
        with self.store.writing(self.account) as work:
            kept, own = self.may_review(work, reading)
            _check_pad(kept, estimate.analyte)
            correction = Correction(id=new_id(), reading=reading, estimate=estimate, why=why, at=work.now,
                                    account=self.account, own=own)
            work.put(correction, "corrected", review_note(why, own=own))
        return correction

    def _decide(self, reading: str, decision: Literal["accepted", "rejected"], why: str,
                fault: Fault | None = None) -> Review:
        with self.store.writing(self.account) as work:
            _, own = self.may_review(work, reading)
            review = Review(id=new_id(), reading=reading, decision=decision, why=why, at=work.now,
                            account=self.account, fault=fault, own=own)
            work.put(review, decision, review_note(why, own=own))
        return review

    def may_review(self, work: Transaction, reading: str) -> tuple[StoredReading, bool]:
        """The reading, and whether it is the reviewer's own. Raises RecordsError where it is not for him to review."""
        check_role(work.current(Account, self.account), self.account)
        kept = work.current(StoredReading, reading)
        if kept is None:
            raise RecordsError("no such reading", where=self.store.where, found=reading,
                               remedy="see the ids with `stripread records list`")
        check_latest(work.connection, reading)
        photograph = work.current(Photograph, kept.photograph)
        own = self.account in (kept.account, photograph and photograph.account)
        if own and not self.store.review.own:
            raise RecordsError("reviewers do not review readings that they took or made", where=f"reading {reading}",
                               found=f"account {self.account}",
                               remedy="ask another reviewer; if you work alone, set `own = true` in the section "
                                      f"[review] of the settings file ({FILE_VARIABLE}, else ~/.config/stripread.toml)")
        return kept, own


def review_note(why: str, *, own: bool) -> str:
    """The reason for the log; that somebody reviewed what was his own stands in it."""
    return f"{why} ({_OWN})".strip() if own else why


def give_a_reason(why: str, where: str) -> None:
    """Raise RecordsError where there is none."""
    if not why.strip():
        raise RecordsError("this needs a reason", where=where, found="none",
                           remedy="say why in a sentence that somebody else will understand")


def check_role(account: Account | None, id_: str) -> None:
    """Raise RecordsError where an account may not review."""
    if account is None or not account.active or "reviewer" not in account.roles:
        roles = ", ".join(account.roles) if account and account.active else "no active account"
        raise RecordsError("this account may not review", where=f"account {id_}", found=roles or "no roles",
                           allowed="accounts with the role reviewer")


def check_latest(connection: Connection, reading: str) -> None:
    """Raise RecordsError where another reading stands in the place of this one."""
    later = superseding(connection, reading)
    if later is not None:
        raise RecordsError("the reading was superseded", where=f"reading {reading}", found=f"by {later}",
                           remedy="review that one")


def _check_pad(kept: StoredReading, analyte: str) -> None:
    pads = [pad.analyte for pad in kept.reading.pads]
    if pads and analyte not in pads:
        raise RecordsError("the strip has no such pad", where=f"reading {kept.id}", found=analyte,
                           allowed=", ".join(pads))
