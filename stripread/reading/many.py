"""Many photographs on one chart, on as many processes as pay, in the order given."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from calibration.chart import Chart
from shared.errors import InputError
from shared.profile import PrintProfile
from stripread.reading.photo import PhotoFile, open_photo
from stripread.reading.placing import NOT_PLACED
from stripread.reading.read import read_file
from stripread.reading.result import Placed, Reading

#: A process takes about as long to start as this many photographs take to read.
WORTH_A_PROCESS = 12
#: Photographs handed to a process before its first answer is awaited: enough to keep it busy, few in memory.
_AHEAD = 4


@dataclass(frozen=True, slots=True)
class Unread:
    """A file that is no photograph this program reads, and the message that says why."""

    message: str


@dataclass(frozen=True, slots=True)
class On:
    """What photographs are read on: a chart, the profiles of print runs, what a ``hand`` placed in them."""

    chart: Chart
    profiles: tuple[PrintProfile, ...] = ()
    hand: Placed = NOT_PLACED


File = Path | PhotoFile | Unread


def sensible_processes(photographs: int) -> int:
    """As many processes as there are cores, but none with too little to do."""
    return max(1, min(os.cpu_count() or 1, photographs // WORTH_A_PROCESS))


def read_many(files: Iterable[File], on: On, processes: int = 1) -> Iterator[Reading | Unread]:
    """The reading of each, in order, or why there is none; ``files`` are drawn only as they are needed."""
    if processes == 1:
        yield from (_read(file, on) for file in files)
        return
    # Spawned, not forked: OpenCV's threads do not survive a fork.
    with ProcessPoolExecutor(processes, get_context("spawn"), _prepare, (on,)) as pool:
        waiting: deque[Future[Reading | Unread]] = deque()
        for file in files:
            waiting.append(pool.submit(_read_prepared, file))
            if len(waiting) >= processes * _AHEAD:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _read(file: File, on: On) -> Reading | Unread:
    if isinstance(file, Unread):
        return file
    try:
        opened = open_photo(file) if isinstance(file, Path) else file
        return read_file(opened, on.chart, on.profiles, on.hand)
    except InputError as error:
        return Unread(error.message)


#: What a worker process reads on, given once when it starts.
_given: list[On] = []


def _prepare(on: On) -> None:
    import cv2

    cv2.setNumThreads(1)
    _given.append(on)


def _read_prepared(file: File) -> Reading | Unread:
    return _read(file, _given[-1])
