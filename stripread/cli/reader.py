"""Reading many photographs on one chart, on as many processes as pay, in the order given."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from calibration.chart import Chart
from shared.errors import InputError
from shared.profile import PrintProfile
from stripread.cli.main import DONE, SOME_REFUSED, WRONG, complain
from stripread.cli.progress import with_progress
from stripread.reading.placing import NOT_PLACED
from stripread.reading.read import read_photo
from stripread.reading.result import Placed, Reading
from stripread.reading.state import with_state
from stripread.reading.timing import UNKNOWN_EXPOSURE, Dip, with_timing

#: A process takes about as long to start as this many photographs take to read.
WORTH_A_PROCESS = 12


@dataclass(frozen=True, slots=True)
class Unread:
    """A file that is no photograph this program reads, and the message that says why."""

    message: str


@dataclass(frozen=True, slots=True)
class Beside:
    """What is known beside the photographs: flags of the chart's ``state``, what a ``hand`` placed, the ``dip``."""

    state: tuple[str, ...] = ()
    hand: Placed = NOT_PLACED
    dip: Dip | None = None


NOTHING_BESIDE = Beside()


def sensible_processes(photographs: int) -> int:
    """As many processes as there are cores, but none with too little to do."""
    return max(1, min(os.cpu_count() or 1, photographs // WORTH_A_PROCESS))


class Reader:
    """Reads photographs on one chart; ``status`` is the exit status so far, the worst of all photographs."""

    def __init__(self, chart: Chart, profiles: Sequence[PrintProfile], *, processes: int = 1,
                 beside: Beside = NOTHING_BESIDE) -> None:
        self.chart = chart
        self.beside = beside
        self.profiles = profiles
        self.processes = processes
        self.status = DONE

    def each(self, paths: Sequence[Path]) -> Iterator[tuple[Reading, Path]]:
        """Readings in order; a file that cannot be read is told on standard error and passed over."""
        for path, found in zip(with_progress(paths, "Reading"), self._results(paths), strict=True):
            result = self._completed(found)
            if isinstance(result, Unread):
                complain(result.message)
                self.status = WRONG
                continue
            if result.status == "refused":
                self.status = max(self.status, SOME_REFUSED)
            yield result, path

    def _completed(self, result: Reading | Unread) -> Reading | Unread:
        """The reading with what is known beside the photograph."""
        if isinstance(result, Unread):
            return result
        try:
            timed = self._timed(result)
        except InputError as error:
            return Unread(error.message)
        return with_state(timed, self.beside.state)

    def _timed(self, reading: Reading) -> Reading:
        if self.beside.dip is None:
            return reading
        elapsed = self.beside.dip.elapsed_s(reading)
        if elapsed is None:
            complain(f"{reading.photo}: {UNKNOWN_EXPOSURE}")
            return reading
        return with_timing(reading, self.chart.strip, elapsed)

    def _results(self, paths: Sequence[Path]) -> Iterable[Reading | Unread]:
        if self.processes == 1:
            yield from (_read(path, self.chart, self.profiles, self.beside.hand) for path in paths)
            return
        # Spawned, not forked: OpenCV's threads do not survive a fork.
        with ProcessPoolExecutor(self.processes, get_context("spawn"), _prepare, (self.chart, self.profiles)) as pool:
            yield from pool.map(_read_prepared, paths, chunksize=2)


def _read(path: Path, chart: Chart, profiles: Sequence[PrintProfile], hand: Placed = NOT_PLACED) -> Reading | Unread:
    try:
        return read_photo(path, chart, profiles, hand)
    except InputError as error:
        return Unread(error.message)


#: What a worker process reads on, given once when it starts.
_given: list[tuple[Chart, Sequence[PrintProfile]]] = []


def _prepare(chart: Chart, profiles: Sequence[PrintProfile]) -> None:
    import cv2

    cv2.setNumThreads(1)
    _given.append((chart, profiles))


def _read_prepared(path: Path) -> Reading | Unread:
    return _read(path, *_given[-1])
