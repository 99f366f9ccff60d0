"""Correction of where a photograph belongs, or of where its card is: it is evaluated again, with a reason."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import msgspec

from shared.errors import InputError
from stripread.intake.laboratory_samples import prior_of
from stripread.intake.pairing import pairing_of
from stripread.intake.process import AS_USUAL, BatchContext, IntakeOptions, ReadResult, job_for, read_and_judge
from stripread.intake.qualification import qualified_models
from stripread.intake.sampling_context import machine_for_point, place_flags
from stripread.intake.terms import assess_on, own_terms, terms_at
from stripread.reading.assessment import sample_of
from stripread.reading.context import with_status_flags
from stripread.reading.executors import SERIAL, Executor
from stripread.reading.read import ReadingSetup
from stripread.reading.result import ManualLocation, Reading
from stripread.review.reanalysis.job import OriginalReading, ReanalysisPlanner, SkippedReading, load_original, reanalyse
from stripread.review.reanalysis.run import ReanalysisOptions, put_successor, supersede, with_tube
from stripread.review.session import ReviewSession, check_latest, check_role, give_a_reason
from stripread.store import chart_selection
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account, Role
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.materials import Tube
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint
from stripread.store.reading_status import current_reading_id
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store
from stripread.store.transaction import Transaction

#: Roles that may move photographs of other accounts; every account may move its own.
_MOVERS: Final[frozenset[Role]] = frozenset({"reviewer", "administrator"})


class Destination(msgspec.Struct, frozen=True, kw_only=True):
    """Correct place of a photograph, and ``why``; None: unchanged. The strip batch follows from the tube."""

    why: str
    point: str | None = None
    tube: str | None = None
    account: str | None = None


def move(
    store: Store, by: str, photograph: str, to: Destination, how: IntakeOptions = AS_USUAL
) -> StoredReading | None:
    """Move a photograph and return its reading at the new place; None if it has no reading yet.

    ``how``: executor of the evaluation on another tube. Raises RecordsError, and changes nothing, if the account may
    not move it, if the destination does not exist or is the present place, or if it cannot be evaluated there.
    """
    give_a_reason(to.why, f"photograph {photograph}")
    old = store.get(Photograph, photograph)
    new = _moved(store, old, to)
    with store.viewing() as connection:
        reading = current_reading_id(connection, photograph)
    earlier = None if reading is None else load_original(store, reading)
    done = ReadResult() if earlier is None else with_tube(store, new, _evaluated(store, earlier, new, how))
    with store.writing(by) as transaction:
        _check(transaction, by, old, to, reading)
        transaction.put(new, "moved", to.why)
        return None if earlier is None else put_successor(
            transaction, earlier, done, why=to.why, machine=machine_for_point(store, new.point, None)[0])


def _moved(store: Store, old: Photograph, to: Destination) -> Photograph:
    types: dict[str, type[Record]] = {"point": SamplingPoint, "tube": Tube, "account": Account}
    changed = {name: id_ for name in types if (id_ := getattr(to, name)) is not None}
    for name, id_ in changed.items():
        if not store.ids(types[name], id=id_):
            raise RecordsError(f"no such {RECORD_TYPES[types[name]].singular}", where=store.where, found=id_)
    if to.tube is not None:
        changed["batch"] = store.get(Tube, to.tube).batch
    new = msgspec.structs.replace(old, **changed)
    if new == old:
        raise RecordsError("the photograph is already recorded there", where=f"photograph {old.name}",
                           found=", ".join(f"{name} {id_}" for name, id_ in changed.items()) or "no destination",
                           allowed="another sampling point, tube or account")
    return new


def _check(transaction: Transaction, by: str, old: Photograph, to: Destination, reading: str | None) -> None:
    """Raise RecordsError where the account may not move it, or another program changed it meanwhile."""
    account = transaction.current(Account, by)
    roles = set(account.roles) if account is not None and account.active else set()
    own = old.account == by and to.account is None and roles
    if not own and not roles & _MOVERS:
        raise RecordsError("this account may not move the photograph", where=f"account {by}",
                           found=", ".join(sorted(roles)) or "no active account",
                           allowed=f"the account that added it, or a role of {', '.join(sorted(_MOVERS))}",
                           remedy="ask one of them")
    if transaction.current(Photograph, old.id) != old or current_reading_id(transaction.connection, old.id) != reading:
        raise RecordsError("the record has been changed in the meantime", where=f"photograph {old.name}",
                           remedy="check the record, then move the photograph again")


def _evaluated(store: Store, old: OriginalReading, new: Photograph, how: IntakeOptions) -> ReadResult:
    """Return the reading at the new place with its assessment."""
    if (new.batch, new.tube) == (old.photograph.batch, old.photograph.tube):
        return _assessed(store, old, new)
    chart = chart_selection.chart_for(store, new.batch or "", store.clock())
    on = ReadingSetup(chart, chart_selection.profiles(store, chart.card), old.provenance.placed)
    batch = BatchContext(on, qualified_models(store, store.clock()), judge=new.standard is None, own=own_terms(store))
    done = next(iter(how.executor.map(read_and_judge, batch, [job_for(store, chart, new)])))
    if done.reading is None:
        raise RecordsError("the photograph cannot be evaluated on that tube's chart; nothing was changed",
                           where=f"photograph {new.name}", found=done.why)
    return done


def _assessed(store: Store, old: OriginalReading, new: Photograph) -> ReadResult:
    """Return the same values with the flags of the new place, assessed for the machine there."""
    earlier = old.reading.reading
    old_flags = set(place_flags(store, old.photograph))
    reading = with_status_flags(
        msgspec.structs.replace(earlier, flags=tuple(f for f in earlier.flags if f not in old_flags)),
        place_flags(store, new),
    )
    return _judged(store, reading, new)


def _judged(store: Store, reading: Reading, photograph: Photograph) -> ReadResult:
    if reading.status == "no-result" or photograph.standard is not None:
        return ReadResult(reading)
    point = None if photograph.point is None else store.get(SamplingPoint, photograph.point)
    _, machine = machine_for_point(store, photograph.point, None)
    try:
        return ReadResult(reading, assess_on(
            terms_at(own_terms(store), point, photograph.sampled), sample_of(reading), machine,
            pairing_of(store, photograph, reading.provenance.chart),
            prior_of(store, point, photograph.sampled)))
    except InputError as error:
        return ReadResult(reading, why=error.message)


def reread_with_manual_location(
    session: ReviewSession, reading: str, manual: ManualLocation, why: str, executor: Executor = SERIAL
) -> StoredReading:
    """Evaluate the photograph again with a manual location; the new reading supersedes the old one.

    Both are retained, and the new reading is queued for review. Raises RecordsError if the account may not review, the
    photograph was purged, or there is still no result; then nothing is stored.
    """
    store = session.store
    _check_location(store, session.account, reading)
    give_a_reason(why, f"reading {reading}")
    planner, old = ReanalysisPlanner(store), load_original(store, reading)
    job = planner.as_made(old)
    if isinstance(job, SkippedReading):
        raise RecordsError("the photograph cannot be evaluated again", where=f"reading {reading}", found=job.why)
    done = next(executor.map(reanalyse, planner.materials, [replace(job, manual=manual)]))
    if done.reading is None or done.reading.status == "no-result":
        raise RecordsError("no result at this location either; nothing was stored", where=f"reading {reading}",
                           found=done.why, remedy="locate card and strip again, or photograph another strip")
    new = supersede(store, old, with_tube(store, old.photograph, done), ReanalysisOptions(by=session.account, why=why))
    if new is None:
        raise RecordsError("the reading was superseded meanwhile", where=f"reading {reading}",
                           remedy="review the new reading")
    return store.get(StoredReading, new)


def _check_location(store: Store, account: str, reading: str) -> None:
    check_role(next(iter(store.find(Account, id=account)), None), account)
    with store.viewing() as connection:
        check_latest(connection, reading)
