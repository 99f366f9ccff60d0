"""Many photographs read on one chart for a command: progress, what cannot be read, the report, the exit status.

A report assesses each reading for a machine, or all of them as one sample.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence, Sized
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TypeVar

from assess import Equipment, load_equipment
from calibration.chart import Chart
from shared.errors import InputError
from shared.profile import PrintProfile
from stripread.cli.options import for_workers
from stripread.cli.output import DONE, NO_RESULT, WRONG, echo_error, with_progress
from stripread.reading.assessment import assess
from stripread.reading.combine import CombinedReading
from stripread.reading.context import UNKNOWN_EXPOSURE, Dip, clock_flags, exposed, with_status_flags, with_timing
from stripread.reading.executors import SERIAL, Executor
from stripread.reading.photo import Photo
from stripread.reading.photo_file import PhotoAddress
from stripread.reading.read import ReadError, ReadingSetup, read_many
from stripread.reading.result import ManualLocation, Reading
from stripread.report.page import JointSheet, ReadingSheet, reading_sheet, write_report
from stripread.report.verdicts import assessment_sheet


@dataclass(frozen=True, slots=True)
class ReadingContext:
    """Context of the photographs: flags of the chart's ``state``, what a ``manual`` placed, the ``dip``.

    ``phones``: qualified camera models, None without a store. ``last_day`` on which the strips may be used, if known.
    """

    state: tuple[str, ...] = ()
    manual: ManualLocation | None = None
    dip: Dip | None = None
    phones: frozenset[str] | None = None
    last_day: date | None = None


NOTHING_BESIDE = ReadingContext()


class BatchReader:
    """Reads photographs on one chart; ``status`` is the exit status so far, the highest of all photographs."""

    def __init__(self, chart: Chart, profiles: Sequence[PrintProfile], *, executor: Executor = SERIAL,
                 beside: ReadingContext = NOTHING_BESIDE) -> None:
        self.chart = chart
        self.beside = beside
        self.profiles = tuple(profiles)
        self.executor = executor
        self.status = DONE

    def each(self, paths: Iterable[PhotoAddress]) -> Iterator[tuple[Reading, PhotoAddress]]:
        """Readings in order; a file that cannot be decoded is reported on standard error and skipped."""
        setup, waiting = ReadingSetup(self.chart, self.profiles, self.beside.manual), deque[PhotoAddress]()
        results = read_many(self._sent(paths, waiting), setup, self.executor)
        for found in with_progress(results, "Reading", len(paths) if isinstance(paths, Sized) else None):
            path = waiting.popleft()
            result = self._completed(found)
            if isinstance(result, ReadError):
                echo_error(result.message)
                self.status = WRONG
                continue
            if result.status == "no-result":
                self.status = max(self.status, NO_RESULT)
            yield result, path

    def _sent(self, paths: Iterable[PhotoAddress], waiting: deque[PhotoAddress]) -> Iterator[PhotoAddress]:
        """Yield the addresses as the executor draws them, and remember those that wait for their result."""
        for path in paths:
            waiting.append(path)
            yield for_workers(path, self.executor) if isinstance(path, Path) else path

    def _completed(self, result: Reading | ReadError) -> Reading | ReadError:
        """Return the reading with what is known in addition to the photograph."""
        if isinstance(result, ReadError):
            return result
        try:
            timed = self._timed(result)
        except InputError as error:
            return ReadError(error.message)
        taken, now = timed.provenance.taken, datetime.now(UTC)
        flags = (*self.beside.state, *self._expired(exposed(taken, now) or now), *clock_flags(taken, now))
        return with_status_flags(timed, flags, phones=self.beside.phones)

    def _expired(self, used: datetime) -> tuple[str, ...]:
        last = self.beside.last_day
        return ("batch-expired",) if last is not None and used.astimezone(UTC).date() > last else ()

    def _timed(self, reading: Reading) -> Reading:
        if self.beside.dip is None:
            return reading
        elapsed = self.beside.dip.elapsed_s(reading.provenance.taken)
        if elapsed is None:
            echo_error(f"{reading.photo}: {UNKNOWN_EXPOSURE}")
            return reading
        return with_timing(reading, self.chart.strip, elapsed)


Sheet = TypeVar("Sheet", ReadingSheet, JointSheet)


class Report:
    """A page that grows by one reading at a time and is written at the end.

    ``one_sample``: the photographs show one water, which is judged by their joint result alone.
    """

    def __init__(self, chart: Chart, equipment: Equipment | Path | str, *, one_sample: bool = False) -> None:
        self.chart = chart
        self.equipment = equipment if isinstance(equipment, Equipment) else load_equipment(equipment)
        self.one_sample = one_sample
        self.sheets: list[ReadingSheet] = []

    def add(self, reading: Reading, photo: Photo) -> None:
        """One more reading; where it cannot be judged the page says why."""
        sheet = reading_sheet(reading, photo, chart=self.chart)
        self.sheets.append(sheet if self.one_sample else self._judged(sheet))

    def write(self, path: Path, joint: CombinedReading | None = None) -> None:
        """Write the page, the ``joint`` result first, unless there was nothing to put on it."""
        if self.sheets:
            write_report(path, self.sheets, None if joint is None else self._judged(JointSheet(joint)))

    def _judged(self, sheet: Sheet) -> Sheet:
        if sheet.reading.status == "no-result":
            return sheet
        try:
            return replace(sheet, judged=assessment_sheet(assess(sheet.reading, equipment=self.equipment)))
        except InputError as error:
            return replace(sheet, unjudged=error.message)
