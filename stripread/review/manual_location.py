"""A photograph in which the program did not find card or strip, or not rightly, read where a person places them."""

from __future__ import annotations

from dataclasses import replace

from stripread.reading.result import Placed
from stripread.review.reanalysis.job import ReanalysisPlanner, SkippedReading, load_original, reanalyse
from stripread.review.reanalysis.run import ReanalysisOptions, supersede
from stripread.review.session import ReviewSession, check_latest, check_role, give_a_reason
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import StoredReading
from stripread.store.store import Store


def reread_with_manual_location(desk: ReviewSession, reading: str, hand: Placed, why: str) -> StoredReading:
    """Read again as it was made, but where ``hand`` says; the new reading then stands in the place of the old one.

    Both stay, and the new one waits for review like any other. Raises RecordsError where the account may not, where
    the photograph was let go, or where there still is no value: then nothing is kept.
    """
    store = desk.store
    _check(store, desk.account, reading)
    give_a_reason(why, f"reading {reading}")
    work, old = ReanalysisPlanner(store), load_original(store, reading)
    again = work.as_made(old)
    if isinstance(again, SkippedReading):
        raise RecordsError("cannot be read again", where=f"reading {reading}", found=again.why)
    done = reanalyse(work.shelf, replace(again, hand=hand))
    if done.reading is None or done.reading.status == "refused":
        raise RecordsError("it gives no value there either; nothing was kept", where=f"reading {reading}",
                           found=done.why, remedy="place it again, or photograph another strip")
    new = supersede(store, old, done, ReanalysisOptions(by=desk.account, why=why))
    if new is None:
        raise RecordsError("somebody else was quicker", where=f"reading {reading}", remedy="review the new reading")
    return store.get(StoredReading, new)


def _check(store: Store, account: str, reading: str) -> None:
    check_role(next(iter(store.find(Account, id=account)), None), account)
    with store.viewing() as connection:
        check_latest(connection, reading)
