"""Photographs from previews to assessments; all decoding runs in worker processes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from calibration.chart import Chart
from shared.decoders import from_json
from shared.errors import InputError
from shared.flags import FLAGS, Flag
from shared.text import moment_from_text
from stripread.intake import process, receive
from stripread.intake.process import IntakeOptions, IntakeResult, check_retake
from stripread.intake.receive import PhotoInfo, SampleInfo
from stripread.reading.context import with_status_flags
from stripread.reading.photo_file import PhotoFile
from stripread.reading.result import ManualLocation, Reading
from stripread.review.move import Destination, move, reread_with_manual_location
from stripread.review.reanalysis.comparison import ReadingComparison
from stripread.review.reanalysis.run import ReanalysisOptions, reevaluate
from stripread.review.session import ReviewSession
from stripread.store import chart_selection
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.sites import SamplingPoint
from stripread.store.photos import digest
from stripread.store.shared_work import dequeue, enqueue
from stripread.web import worker_process
from stripread.web.state import AppState
from stripread.web.worker import WorkerExecutor


@dataclass(frozen=True, slots=True)
class PhotoIntake:
    """One account's photographs on one server."""

    app: AppState
    by: str

    def chart(self, batch: str) -> Chart:
        """The chart on which strips of a batch are read."""
        return chart_selection.chart_for(self.app.store, batch, self.app.store.clock())

    def ahead(self, data: bytes, batch: str, tube: str | None) -> Reading:
        """Return a provisional result from a preview image; nothing is stored.

        ``tube``: the tube of the strip, for the flag of strips past their expiry date [default: the only one in use].
        """
        store, chart = self.app.store, self.chart(batch)
        read = self.app.workers.do(worker_process.read, file=PhotoFile("preview", data), chart=chart,
                                     profiles=chart_selection.profiles(store, chart.card))
        state = chart_selection.chart_flags(store, chart, store.clock(), tube=tube)
        return with_status_flags(from_json(read, Reading), state)

    def take(self, file: PhotoFile, sample: SampleInfo, replaces: str | None = None) -> IntakeResult:
        """Store the original durably, then evaluate and assess it. Idempotent: a repeated upload gives the same result.

        ``replaces``: the reading that it supersedes, where it is a photograph taken again.

        Raises InputError for a file that cannot be stored. A stored file that cannot be evaluated gives an
        `IntakeResult` with the reason.
        """
        self._check_point(sample.point)
        if replaces is not None:
            check_retake(self.app.store, self.by, replaces, sample)
        id_ = digest(file.data)
        enqueue(self.app.store, id_, self.by, replaces)
        try:
            photograph = receive.receive_photo(self.app.store, self.by, file, sample, self._look)
        except InputError:
            dequeue(self.app.store, id_)
            raise
        return self.evaluate(photograph, replaces)

    def _check_point(self, point: str | None) -> None:
        """Raise InputError for an unknown sampling point, without the IDs of others: the account may not see them."""
        if point is not None and not self.app.store.ids(SamplingPoint, id=point):
            raise InputError("not recorded on this server", where=f"sampling point {point[:100]}",
                             remedy="send the photograph without the sampling point, and assign it on the page of its "
                                    "reading").of_field("point")

    def evaluate(self, photograph: Photograph, replaces: str | None = None) -> IntakeResult:
        """Evaluate and assess a stored photograph; without a reading it stays in the queue, to be tried again."""
        try:
            taken = next(
                process.process_photos(
                    self.app.store, self.by, [photograph], IntakeOptions(executor=self._executor, replaces=replaces)
                )
            )
        except InputError as error:
            taken = IntakeResult(photograph, why=error.message)
        if taken.reading is not None:
            dequeue(self.app.store, photograph.id)
        self.app.metrics.read(taken.reading.status if taken.reading else "not-evaluated")
        return taken

    def move(self, photograph: str, to: Destination) -> StoredReading | None:
        """Move a photograph to where it belongs; its reading there. Raises InputError where that cannot be."""
        return move(self.app.store, self.by, photograph, to, IntakeOptions(executor=self._executor))

    def locate(self, reading: str, manual: ManualLocation, why: str) -> StoredReading:
        """Evaluate a photograph again at a manual location; the new reading. Raises RecordsError."""
        session = ReviewSession(self.app.store, self.by)
        return reread_with_manual_location(session, reading, manual, why, self._executor)

    def reevaluate(self, reading: str, why: str | None) -> ReadingComparison:
        """Evaluate a reading again on the batch's present chart; with ``why`` a changed one supersedes it."""
        onto = ReanalysisOptions(by=self.by, why=why)
        return next(reevaluate(self.app.store, [reading], onto, self._executor))

    @property
    def _executor(self) -> WorkerExecutor:
        return WorkerExecutor(self.app.workers)

    def stored_sha256(self, photograph: Photograph) -> str:
        """Return the hash of a photograph's bytes as they are read back from the store. Raises RecordsError."""
        return digest(self.app.store.photographs.get(photograph.id))

    def _look(self, file: PhotoFile, *, for_label: bool) -> PhotoInfo:
        return from_json(self.app.workers.do(worker_process.look, file=file, for_label=for_label), PhotoInfo)


#: Flags that recommend retaking the photograph before the reading time ends.
_AGAIN = frozenset(i for i, flag in FLAGS.items() if flag.scope == "photograph") - {
    "poor-light", "card-worn", "profile-missing"} | {
        "early", "no-strip", "strip-reversed", "pad-covered", "too-uncertain"}


def all_flags(reading: Reading) -> tuple[Flag, ...]:
    """Return each flag of photograph and pads once, in the registry's order."""
    flags = {*reading.flags, *(f for pad in reading.pads for f in pad.flags)}
    return tuple(flag for id_, flag in FLAGS.items() if id_ in flags)


def should_retake(reading: Reading) -> bool:
    """Return whether the photograph should be retaken."""
    return reading.status == "no-result" or any(flag.id in _AGAIN for flag in all_flags(reading))


def moment_from(text: str, where: str) -> datetime | None:
    """Return a time with its UTC offset; None for an empty text. Raises InputError for an invalid one."""
    if not text:
        return None
    moment = moment_from_text(text)
    if moment is None or moment.tzinfo is None:
        raise InputError("this is not a valid time", where=where, found=repr(text[:40]),
                         allowed="date, time and UTC offset, as in 2031-05-04T09:30:00+02:00")
    return moment
