"""Kept readings made again on as many processes as wanted, compared, and superseded where that is asked for."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import msgspec
from sqlalchemy import select

from calibration.chart import Chart
from stripread.intake.process import ReadResult
from stripread.intake.sampling_context import machine_for_point
from stripread.reading.processes import each_of
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
from stripread.store.current import superseding
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import StoredAssessment, StoredCheckResult, StoredReading
from stripread.store.models.record import new_id
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store
from stripread.store.transaction import Transaction


@dataclass(frozen=True, slots=True)
class ReanalysisOptions:
    """On which ``chart`` readings are made again, None: the present one of each batch; and whether they then count.

    ``why``: new readings supersede those that print another result or have other inputs now, for this reason, by the
    account ``by``; None: they are only compared.
    """

    chart: Chart | None = None
    by: str = ""
    why: str | None = None


def reproduce(store: Store, readings: Sequence[str], processes: int = 1) -> Iterator[ReadingComparison]:
    """Each reading made again as it was made: all must be the same, or say what made the difference."""
    work = ReanalysisPlanner(store)
    for old, done, passed in _each(work, readings, work.as_made, processes):
        yield compare_readings(old, done, passed=passed)


def reevaluate(
    store: Store, readings: Sequence[str], onto: ReanalysisOptions, processes: int = 1
) -> Iterator[ReadingComparison]:
    """Each reading made again on a chart, beside itself, and superseded if that is wanted.

    Those made so already, or superseded already, are passed over: begun again, it goes on where it stopped. Raises
    RecordsError for a reading whose strips are of another batch than the chart.
    """
    work = ReanalysisPlanner(store)
    for old, done, passed in _each(work, readings, lambda old: _anew(work, old, onto), processes):
        found = compare_readings(old, done, passed=passed)
        new = found.outcome == "differs" or bool(found.inputs)
        if onto.why is not None and done.reading is not None and new:
            found = msgspec.structs.replace(found, new=supersede(store, old, done, onto))
        yield found


def _each(
    work: ReanalysisPlanner,
    readings: Sequence[str],
    how: Callable[[OriginalReading], ReanalysisJob | SkippedReading],
    processes: int,
) -> Iterator[tuple[OriginalReading, ReadResult, bool]]:
    """Each reading, what came of it, and whether it was passed over."""
    waiting: deque[tuple[OriginalReading, bool]] = deque()

    def jobs() -> Iterator[ReanalysisJob | SkippedReading]:
        for reading in readings:
            old = load_original(work.store, reading)
            again = how(old)
            waiting.append((old, isinstance(again, SkippedReading)))
            yield again

    for done in each_of(reanalyse, work.shelf, jobs(), processes):
        old, passed = waiting.popleft()
        yield old, done, passed


def _anew(work: ReanalysisPlanner, old: OriginalReading, onto: ReanalysisOptions) -> ReanalysisJob | SkippedReading:
    with work.store.viewing() as connection:
        later = superseding(connection, old.reading.id)
    if later is not None:
        return SkippedReading("superseded already")
    batch = old.provenance.batch
    chart = onto.chart or chart_for(work.store, batch, work.store.clock())
    if chart.batch != batch:
        raise RecordsError("the chart is of another batch of strips", where=f"reading {old.reading.id}",
                           found=f"strips of batch {batch}, the chart of {chart.batch}",
                           remedy=f"choose readings with --batch {chart.batch}")
    return work.anew(old, chart)


def supersede(store: Store, old: OriginalReading, done: ReadResult, onto: ReanalysisOptions) -> str | None:
    """The new reading, its assessment, and what was known of a check standard, kept together; the reading's id.

    None where another program was quicker.
    """
    if done.reading is None:
        return None
    with store.writing(onto.by) as work:
        if superseding(work.connection, old.reading.id) is not None:
            return None
        new = put_successor(work, old, done, why=onto.why or "", machine=_machine(store, old))
    return None if new is None else new.id


def put_successor(
    work: Transaction, old: OriginalReading, done: ReadResult, *, why: str, machine: str | None
) -> StoredReading | None:
    """Store a reading that supersedes another, its assessment, and what was known of a check standard.

    Return the reading; None where there is none to store.
    """
    if done.reading is None:
        return None
    reading = StoredReading(id=new_id(), photograph=old.photograph.id, at=work.now, account=work.by,
                            reading=done.reading, supersedes=old.reading.id)
    work.put(reading, "superseded", why)
    if done.assessment is not None:
        work.put(StoredAssessment(id=new_id(), reading=reading.id, at=work.now, account=work.by,
                                  assessment=done.assessment, machine=machine), "assessed", why)
    checks = RECORD_TYPES[StoredCheckResult].table.c
    for id_ in work.connection.scalars(select(checks.id).where(checks.reading == old.reading.id)).all():
        check = work.current(StoredCheckResult, id_)
        if check is not None:
            work.put(msgspec.structs.replace(check, reading=reading.id), "reread", why)
    return reading


def _machine(store: Store, old: OriginalReading) -> str | None:
    return old.assessment.machine if old.assessment else machine_for_point(store, old.photograph.point, None)[0]
