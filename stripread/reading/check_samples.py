"""Check standards and waters of known values, measured on a chart like any photograph, and compared with them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from calibration.chart import Chart
from calibration.checks import DEFAULT_RULE, Check, CheckRule, Pair, check
from calibration.standards import StandardRow
from stripread.reading.executors import SERIAL, Executor
from stripread.reading.photo_file import open_photo
from stripread.reading.read import ReadingSetup, read_file
from stripread.reading.result import Reading


@dataclass(frozen=True, slots=True)
class UnreadStandard:
    """A known value without a measured value, and the reason."""

    photo: str
    analyte: str
    why: str


def read_check_samples(
    rows: Sequence[StandardRow],
    on: ReadingSetup,
    watch: Callable[[Sequence[StandardRow]], Iterable[StandardRow]] = iter,
    executor: Executor = SERIAL,
) -> tuple[list[Pair], list[UnreadStandard]]:
    """The values known of each photograph's solution with what the chart reads there; ``watch`` may show progress."""
    pairs, unread = [], []
    for row, reading in zip(watch(rows), executor.map(_read, on, rows), strict=True):
        good, bad = pairs_of(row, reading)
        pairs += good
        unread += bad
    return pairs, unread


def _read(on: ReadingSetup, row: StandardRow) -> Reading:
    return read_file(open_photo(row.photo), on.chart, on.profiles)


def pairs_of(row: StandardRow, reading: Reading) -> tuple[list[Pair], list[UnreadStandard]]:
    """The values known of one photograph's solution with those that were read in it."""
    pairs, unread = [], []
    pads = {p.analyte: p for p in reading.pads}
    for analyte, known in row.certified.items():
        pad = pads.get(analyte)
        read = None if pad is None else pad.estimate()
        if read is None:
            unread.append(UnreadStandard(row.photo.name, analyte, (pad and pad.reason) or reading.reason))
        else:
            pairs.append(Pair(row.standard, known=known.value, u_known=known.u, read=read, photo=row.photo.name,
                              light=row.light))
    return pairs, unread


def judge(pairs: Iterable[Pair], chart: Chart, *, rule: CheckRule = DEFAULT_RULE) -> list[Check]:
    """The verdict on each; a deviation is set against the range of the chart's curve."""
    spans = {c.analyte: c.scale.high - c.scale.low for c in chart.curves}
    return [check(p, span=spans[p.read.analyte], rule=rule) for p in pairs]
