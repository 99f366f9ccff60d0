"""Reanalysis of stored readings on several processes: evaluate again, compare and, on request, supersede."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import msgspec
from sqlalchemy import select

from calibration.chart import Chart
from stripread.intake.process import ReadResult
from stripread.intake.sampling_context import machine_for_point, with_strips_before
from stripread.reading.context import with_earlier_strips
from stripread.reading.executors import SERIAL, Executor
from stripread.review.reanalysis.comparison import ReadingComparison, compare_readings
from stripread.review.reanalysis.job import (
    OriginalReading,
    ReanalysisJob,
    ReanalysisPlanner,
    SkippedReading,
    load_original,
    reanalyse,
)
from stripread.store.chart_selection import chart_for
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredCheckResult, StoredReading
from stripread.store.models.record import new_id
from stripread.store.reading_status import superseding
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store
from stripread.store.transaction import Transaction


@dataclass(frozen=True, slots=True)
class ReanalysisOptions:
    """Options of a re-evaluation: the ``chart`` [default: the present one of each batch].

    ``why``: reason for which changed readings supersede the originals, by the account ``by``; None: compare only.
    """

    chart: Chart | None = None
    by: str = ""
    why: str | None = None


def reproduce(store: Store, readings: Sequence[str], executor: Executor = SERIAL) -> Iterator[ReadingComparison]:
    """Evaluate each reading again with its original inputs; return the comparisons with the causes of differences."""
    planner = ReanalysisPlanner(store)
    for old, done, passed in _each(planner, readings, planner.as_made, executor):
        again = done if done.reading is None else replace(
            done, reading=with_earlier_strips(done.reading, old.reading.reading.earlier_strips))
        yield compare_readings(old, again, passed=passed)


def reevaluate(
    store: Store, readings: Sequence[str], onto: ReanalysisOptions, executor: Executor = SERIAL
) -> Iterator[ReadingComparison]:
    """Evaluate each reading again on a chart, compare and, if ``onto.why`` is given, supersede it.

    Readings that are up to date or superseded are skipped, so that a new call resumes after an interruption. Raises
    RecordsError for a reading whose strips are of another batch than the chart.
    """
    planner = ReanalysisPlanner(store)
    for old, found, passed in _each(planner, readings, lambda old: _anew(planner, old, onto), executor):
        done = with_tube(store, old.photograph, found)
        comparison = compare_readings(old, done, passed=passed)
        new = comparison.outcome == "differs" or bool(comparison.inputs)
        if onto.why is not None and done.reading is not None and new:
            comparison = msgspec.structs.replace(comparison, new=supersede(store, old, done, onto))
        yield comparison


def _each(
    planner: ReanalysisPlanner,
    readings: Sequence[str],
    how: Callable[[OriginalReading], ReanalysisJob | SkippedReading],
    executor: Executor,
) -> Iterator[tuple[OriginalReading, ReadResult, bool]]:
    """Return each reading, the result of its reanalysis, and whether it was skipped."""
    waiting: deque[tuple[OriginalReading, bool]] = deque()

    def jobs() -> Iterator[ReanalysisJob | SkippedReading]:
        for reading in readings:
            old = load_original(planner.store, reading)
            job = how(old)
            waiting.append((old, isinstance(job, SkippedReading)))
            yield job

    for done in executor.map(reanalyse, planner.materials, jobs()):
        old, passed = waiting.popleft()
        yield old, done, passed


def _anew(planner: ReanalysisPlanner, old: OriginalReading, onto: ReanalysisOptions) -> ReanalysisJob | SkippedReading:
    with planner.store.viewing() as connection:
        later = superseding(connection, old.reading.id)
    if later is not None:
        return SkippedReading("already superseded")
    batch = old.provenance.batch
    chart = onto.chart or chart_for(planner.store, batch, planner.store.clock())
    if chart.batch != batch:
        raise RecordsError("the chart belongs to another strip batch", where=f"reading {old.reading.id}",
                           found=f"strips of batch {batch}, chart of batch {chart.batch}",
                           remedy=f"choose readings with --batch {chart.batch}")
    return planner.anew(old, chart)


def with_tube(store: Store, photograph: Photograph, done: ReadResult) -> ReadResult:
    """Return a result whose strip is judged together with the earlier ones of its tube."""
    if done.reading is None:
        return done
    with store.viewing() as connection:
        return replace(done, reading=with_strips_before(store, connection, photograph, done.reading))


def supersede(store: Store, old: OriginalReading, done: ReadResult, onto: ReanalysisOptions) -> str | None:
    """Store the new reading, its assessment and the results of a check standard atomically; return the reading's id.

    None if the original was superseded meanwhile.
    """
    if done.reading is None:
        return None
    with store.writing(onto.by) as transaction:
        if superseding(transaction.connection, old.reading.id) is not None:
            return None
        new = put_successor(transaction, old, done, why=onto.why or "", machine=_machine(store, old))
    return None if new is None else new.id


def put_successor(
    transaction: Transaction, old: OriginalReading, done: ReadResult, *, why: str, machine: str | None
) -> StoredReading | None:
    """Store a reading that supersedes another, its assessment, and the results of a check standard.

    Return the reading, or None if there is none to store.
    """
    if done.reading is None:
        return None
    reading = StoredReading(id=new_id(), photograph=old.photograph.id, at=transaction.now, account=transaction.by,
                            reading=done.reading, supersedes=old.reading.id)
    transaction.put(reading, "superseded", why)
    if done.assessment is not None:
        transaction.put(StoredAssessment(id=new_id(), reading=reading.id, at=transaction.now, account=transaction.by,
                                  assessment=done.assessment, machine=machine), "assessed", why)
    checks = RECORD_TYPES[StoredCheckResult].table.c
    for id_ in transaction.connection.scalars(select(checks.id).where(checks.reading == old.reading.id)).all():
        check = transaction.current(StoredCheckResult, id_)
        if check is not None:
            transaction.put(msgspec.structs.replace(check, reading=reading.id), "re-evaluated", why)
    return reading


def _machine(store: Store, old: OriginalReading) -> str | None:
    return old.assessment.machine if old.assessment else machine_for_point(store, old.photograph.point, None)[0]
