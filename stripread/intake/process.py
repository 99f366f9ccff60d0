"""Processing of received photographs: evaluate on the chart of the batch, assess for the machine, store atomically.

Processing is idempotent: after an interruption a new call resumes and creates no duplicates.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date
from itertools import groupby

import msgspec
from sqlalchemy import Connection, select

from assess.assessment import Assessment
from assess.diagnosis.result import NotCompared, Upstream
from assess.equipment import Equipment
from assess.inputs.sample import Assumption
from assess.limits import LimitSet
from calibration.chart import Chart
from shared.errors import InputError
from stripread.intake.laboratory_samples import prior_of
from stripread.intake.pairing import pairing_of
from stripread.intake.qualification import qualified_models
from stripread.intake.reassess import pair_again
from stripread.intake.receive import SampleInfo, after_dip_s, time_flags
from stripread.intake.sampling_context import machine_for_point, place_flags, with_strips_before
from stripread.intake.terms import assess_on, own_terms, terms_at
from stripread.reading.assessment import sample_of
from stripread.reading.context import with_status_flags, with_timing
from stripread.reading.executors import SERIAL, Executor
from stripread.reading.read import ReadError, ReadingSetup, read_one
from stripread.reading.result import Reading
from stripread.store import chart_selection
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.models.materials import OwnTerms, Phone
from stripread.store.models.record import new_id
from stripread.store.models.sites import SamplingPoint
from stripread.store.photos import StoredPhoto
from stripread.store.reading_status import current_assessment, last_reading, last_reading_id, superseding
from stripread.store.schema import BODIES, RECORD_TYPES, decode
from stripread.store.store import Store


@dataclass(frozen=True, slots=True)
class IntakeResult:
    """Result of processing a stored photograph; ``why``: why it has no reading, or its reading no assessment.

    ``new``: the reading was made in this call.
    """

    photograph: Photograph
    reading: StoredReading | None = None
    assessment: StoredAssessment | None = None
    why: str = ""
    new: bool = False


@dataclass(frozen=True, slots=True)
class IntakeOptions:
    """Options: ``equipment`` to assess for [default: the machine at the point], ``executor`` of the evaluations.

    ``judge``: False for photographs that are not samples of a machine's water, such as check standards. ``replaces``:
    the reading that a photograph taken again supersedes.
    """

    equipment: str | None = None
    judge: bool = True
    executor: Executor = SERIAL
    replaces: str | None = None


AS_USUAL = IntakeOptions()
#: Number of photographs whose evaluation takes about as long as starting a process.
WORTH_A_PROCESS = 2


def process_photos(
    store: Store, by: str, photographs: Sequence[Photograph], how: IntakeOptions = AS_USUAL
) -> Iterator[IntakeResult]:
    """Evaluate, assess and store photographs without a reading; return the stored results for the others.

    Raises RecordsError if a batch has no chart. The result of a photograph that cannot be read states the reason.
    """
    for batch, same in groupby(photographs, lambda p: p.batch):
        yield from _Intake(store, by, batch or "", how).each(list(same))


def without_reading(store: Store) -> list[Photograph]:
    """Return the stored photographs of samples without a reading, ordered by batch; purged ones are excluded."""
    photographs, readings = (RECORD_TYPES[kind].table for kind in (Photograph, StoredReading))
    query = select(BODIES.c.body).join(photographs, photographs.c.sha256 == BODIES.c.sha256).where(
        photographs.c.batch.is_not(None), photographs.c.removed.is_(None),
        ~select(readings.c.id).where(readings.c.photograph == photographs.c.id).exists())
    with store.viewing() as connection:
        bodies = connection.scalars(query.order_by(photographs.c.batch, photographs.c.received)).all()
    return [p for p in (decode(Photograph, body) for body in bodies) if p.standard is None]


def used_on(photograph: Photograph) -> date:
    """Return the day on which the strip was used, in UTC so that it is the same on every machine."""
    return photograph.sampled.astimezone(UTC).date()


@dataclass(frozen=True, slots=True)
class BatchContext:
    """Inputs common to all photographs of a batch."""

    on: ReadingSetup
    phones: frozenset[str | None]
    judge: bool
    own: OwnTerms


@dataclass(frozen=True, slots=True)
class ReadJob:
    """A photograph to evaluate: its address, or why it cannot be evaluated, and its data.

    ``limits``: those of its sampling point, None: those of the store. ``check``: it shows a check standard, which
    qualifies the phone.
    """

    file: StoredPhoto | ReadError
    state: tuple[str, ...]
    model: str | None
    after_dip_s: float | None
    equipment: Equipment
    upstream: Upstream | NotCompared | None = None
    prior: Mapping[str, Assumption] = field(default_factory=dict)
    limits: LimitSet | None = None
    check: bool = False


@dataclass(frozen=True, slots=True)
class ReadResult:
    """A reading and its assessment, or ``why`` there is none."""

    reading: Reading | None = None
    assessment: Assessment | None = None
    why: str = ""


def read_and_judge(batch: BatchContext, job: ReadJob) -> ReadResult:
    """Evaluate a photograph, add the flags from its data, and assess it; may run in another process."""
    result = _read(batch, job.file)
    if isinstance(result, ReadError):
        return ReadResult(why=result.message)
    timed = result if job.after_dip_s is None else with_timing(result, batch.on.chart.strip, job.after_dip_s)
    known = job.check or (result.provenance.camera or job.model) in batch.phones
    reading = with_status_flags(timed, job.state if known else (*job.state, "phone-new"))
    if reading.status == "no-result" or not batch.judge:
        return ReadResult(reading, why=reading.reason)
    own = batch.own if job.limits is None else msgspec.structs.replace(batch.own, limits=job.limits)
    try:
        return ReadResult(reading, assess_on(own, sample_of(reading), job.equipment, job.upstream, job.prior))
    except InputError as error:
        return ReadResult(reading, why=error.message)


def _read(batch: BatchContext, file: StoredPhoto | ReadError) -> Reading | ReadError:
    if isinstance(file, ReadError):
        return file
    try:
        return read_one(batch.on, file.open())
    except RecordsError as error:
        return ReadError(error.message)


def job_for(store: Store, chart: Chart, photograph: Photograph, equipment: str | None = None) -> ReadJob:
    """Return the job to evaluate a stored photograph."""
    state = (*_chart_flags(store, chart, photograph), *time_flags(photograph), *place_flags(store, photograph))
    model = store.get(Phone, photograph.phone).model if photograph.phone else None
    _, machine = machine_for_point(store, photograph.point, equipment)
    point = None if photograph.point is None else store.get(SamplingPoint, photograph.point)
    file = StoredPhoto(store.photographs.place, photograph.id, photograph.name)
    return ReadJob(file, state, model, after_dip_s(photograph), machine,
                   pairing_of(store, photograph, chart.id), prior_of(store, point, photograph.sampled),
                   _own_limits(store, point, photograph), check=photograph.standard is not None)


def _own_limits(store: Store, point: SamplingPoint | None, photograph: Photograph) -> LimitSet | None:
    """Return the limits of the sampling point itself; None where those of the store apply."""
    return terms_at(own_terms(store), point, photograph.sampled).limits if point and point.limits else None


def _chart_flags(store: Store, chart: Chart, photograph: Photograph) -> tuple[str, ...]:
    """Return the flags for the present status of the chart, and of the strip on the day of its use."""
    return chart_selection.chart_flags(store, chart, store.clock(), tube=photograph.tube, used=used_on(photograph))


class _Intake:
    """Processing of the photographs of one batch."""

    def __init__(self, store: Store, by: str, batch: str, how: IntakeOptions) -> None:
        self.store, self.by, self.how = store, by, how
        chart = chart_selection.chart_for(store, batch, store.clock())
        self.batch = BatchContext(
            ReadingSetup(chart, chart_selection.profiles(store, chart.card)),
            qualified_models(store, store.clock()),
            how.judge,
            own_terms(store),
        )

    def each(self, photographs: Sequence[Photograph]) -> Iterator[IntakeResult]:
        """Return the results of photographs, in order."""
        have = {p.id: last_reading(self.store, p.id) for p in photographs}
        unread = [p for p in photographs if have[p.id] is None]
        done = self.how.executor.map(read_and_judge, self.batch, map(self._job, unread))
        for photograph in photographs:
            stored = have[photograph.id]
            yield (
                self._store_result(photograph, next(done))
                if stored is None
                else self._stored_result(photograph, stored)
            )
        # Treated water that was evaluated before its feed water is compared with it now.
        list(pair_again(self.store, self.by, unread))

    def _job(self, photograph: Photograph) -> ReadJob:
        return job_for(self.store, self.batch.on.chart, photograph, self.how.equipment)

    def _stored_result(self, photograph: Photograph, reading: StoredReading) -> IntakeResult:
        return IntakeResult(photograph, reading, current_assessment(self.store, reading.id))

    def _store_result(self, photograph: Photograph, done: ReadResult) -> IntakeResult:
        """Store the reading and its assessment atomically; return the result."""
        if done.reading is None:
            return IntakeResult(photograph, why=done.why)
        machine, _ = machine_for_point(self.store, photograph.point, self.how.equipment)
        with self.store.writing(self.by) as transaction:
            stored_meanwhile = last_reading_id(transaction.connection, photograph.id)
            if stored_meanwhile is None:
                earlier = self.how.replaces and replaced(transaction.connection, self.how.replaces, done.reading)
                # The chart may have been withdrawn during the evaluation.
                flagged = with_status_flags(done.reading, _chart_flags(self.store, self.batch.on.chart, photograph))
                flagged = with_strips_before(self.store, transaction.connection, photograph, flagged, earlier)
                reading = StoredReading(id=new_id(), photograph=photograph.id, at=transaction.now, account=self.by,
                                        reading=flagged, supersedes=earlier)
                transaction.put(reading, *(("superseded", "taken again") if earlier else ("evaluated",)))
                judged = None if done.assessment is None else StoredAssessment(
                    id=new_id(), reading=reading.id, at=transaction.now, account=self.by, assessment=done.assessment,
                    machine=machine)
                if judged is not None:
                    transaction.put(judged, "assessed")
        if stored_meanwhile is not None:
            return self._stored_result(photograph, self.store.get(StoredReading, stored_meanwhile))
        return IntakeResult(photograph, reading, judged, done.why, new=True)


_READINGS = RECORD_TYPES[StoredReading].table
_REMEDY = "send it as a separate reading"


def check_retake(store: Store, by: str, reading: str, info: SampleInfo) -> None:
    """Raise RecordsError if a photograph with this information may not replace ``reading``."""
    readings = store.find(StoredReading, id=reading)
    if not readings:
        raise RecordsError("no such reading to replace", where="replaces", found=reading, remedy=_REMEDY)
    if readings[0].account != by:
        raise RecordsError("only the account that took a photograph may replace it", where="replaces",
                           found=f"a reading by account {readings[0].account}", remedy=_REMEDY)
    earlier = store.get(Photograph, readings[0].photograph)
    if (earlier.point, earlier.batch) != (info.point, info.batch or earlier.batch):
        raise RecordsError("a replacement must be of the same sampling point and strip batch", where="replaces",
                           found=f"sampling point {info.point or 'none'}, batch {info.batch or 'not stated'}",
                           allowed=f"sampling point {earlier.point or 'none'}, batch {earlier.batch}", remedy=_REMEDY)


def replaced(connection: Connection, reading: str, retaken: Reading) -> str | None:
    """Return the reading that ``retaken`` supersedes: ``reading``, or what superseded it in the meantime.

    None if that reading has a result and the photograph taken again has none.
    """
    while (later := superseding(connection, reading)) is not None:
        reading = later
    earlier_status = connection.scalar(select(_READINGS.c.status).where(_READINGS.c.id == reading))
    return None if retaken.status == "no-result" and earlier_status == "measured" else reading
