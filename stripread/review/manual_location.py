"""Evaluation of a photograph with card or strip located manually, where the program did not find them correctly."""

from __future__ import annotations

from dataclasses import replace

from stripread.reading.executors import SERIAL, Executor
from stripread.reading.result import ManualLocation
from stripread.review.reanalysis.job import ReanalysisPlanner, SkippedReading, load_original, reanalyse
from stripread.review.reanalysis.run import ReanalysisOptions, supersede
from stripread.review.session import ReviewSession, check_latest, check_role, give_a_reason
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import StoredReading
from stripread.store.store import Store


def reread_with_manual_location(
    session: ReviewSession, reading: str, manual: ManualLocation, why: str, executor: Executor = SERIAL
) -> StoredReading:
    """Evaluate the photograph again with a manual location; the new reading supersedes the old one.

    Both are retained, and the new reading is queued for review. Raises RecordsError if the account may not review, the
    photograph was purged, or there is still no result; then nothing is stored.
    """
    store = session.store
    _check(store, session.account, reading)
    give_a_reason(why, f"reading {reading}")
    planner, old = ReanalysisPlanner(store), load_original(store, reading)
    job = planner.as_made(old)
    if isinstance(job, SkippedReading):
        raise RecordsError("the photograph cannot be evaluated again", where=f"reading {reading}", found=job.why)
    done = next(executor.map(reanalyse, planner.materials, [replace(job, manual=manual)]))
    if done.reading is None or done.reading.status == "no-result":
        raise RecordsError("no result at this location either; nothing was stored", where=f"reading {reading}",
                           found=done.why, remedy="locate card and strip again, or photograph another strip")
    new = supersede(store, old, done, ReanalysisOptions(by=session.account, why=why))
    if new is None:
        raise RecordsError("the reading was superseded meanwhile", where=f"reading {reading}",
                           remedy="review the new reading")
    return store.get(StoredReading, new)


def _check(store: Store, account: str, reading: str) -> None:
    check_role(next(iter(store.find(Account, id=account)), None), account)
    with store.viewing() as connection:
        check_latest(connection, reading)
