"""Many photographs read on one chart, in the order given."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from calibration.chart import Chart
from shared.errors import InputError
from shared.profile import PrintProfile
from stripread.reading.photo_file import PhotoFile, open_photo
from stripread.reading.placing import NOT_PLACED
from stripread.reading.processes import each_of
from stripread.reading.read import read_file
from stripread.reading.result import Placed, Reading

#: A process takes about as long to start as this many photographs take to read.
WORTH_A_PROCESS = 12


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


def read_many(paths: Iterable[Path], on: On, processes: int = 1) -> Iterator[Reading | Unread]:
    """The reading of each, in order, or why there is none."""
    return each_of(_read, on, paths, processes)


def _read(on: On, path: Path) -> Reading | Unread:
    try:
        return read_one(on, open_photo(path))
    except InputError as error:
        return Unread(error.message)


def read_one(on: On, file: PhotoFile) -> Reading | Unread:
    """The reading of one photograph, or why there is none."""
    try:
        return read_file(file, on.chart, on.profiles, on.hand)
    except InputError as error:
        return Unread(error.message)
