"""View model of the review page: the queue, a reading next to the point's previous one, values against history."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from assess.assessment import Assessment
from assess.draws import Interval
from shared.analytes import ANALYTES
from shared.notation import Notation
from shared.text import written
from stripread.monitoring.valid_readings import ValidReading, latest
from stripread.reading.result import PadReading
from stripread.report.figures.window import (
    LimitBounds,
    Scale,
    ValueRow,
    WindowBar,
    bar_on,
    bounds_of,
    list_bar,
    own_judgement,
    tone,
    value_rows,
)
from stripread.review.queue import QueueEntry
from stripread.store.reading_history import ReadingHistory
from stripread.store.store import Store

#: Earlier readings of the sampling point that are shown, and those that are asked for to find them.
EARLIER, _ASKED = 8, 40


@dataclass(frozen=True, slots=True)
class QueueLine:
    """A reading in the queue with its most severe reason and its pads' colours."""

    entry: QueueEntry
    place: str
    point: str
    reason: str
    colours: tuple[str, ...]


def queue_lines(entries: Sequence[QueueEntry], colours: Mapping[str, tuple[str, ...]]) -> list[QueueLine]:
    """Return the lines of some entries."""
    return [QueueLine(e, e.site_name or e.photo, e.point_name or "", _reason(e), colours.get(e.reading, ()))
            for e in entries]


def _reason(e: QueueEntry) -> str:
    """Return the most severe reason, and the number of the others."""
    first, *others = (w.words.rstrip(".") for w in e.why)
    return f"{first}, {len(others)} more" if others else first


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRow:
    """A value among the earlier ones of its sampling point; ``dots``: their places in percent, oldest first."""

    row: ValueRow
    bar: WindowBar
    dots: tuple[float, ...]
    label: str


def earlier_readings(store: Store, history: ReadingHistory) -> list[ValidReading]:
    """Return the valid readings of the sampling point before this one, in order of time."""
    point, here = history.photograph.point, history.photograph.sampled
    if point is None:
        return []
    rows = [r for r in latest(store, [point], _ASKED) if r.at < here and r.id != history.reading.id]
    return rows[-EARLIER:]


def history_rows(history: ReadingHistory, earlier: Sequence[ValidReading], notation: Notation) -> list[HistoryRow]:
    """Return a row for each value of a reading."""
    assessment = None if history.assessment is None else history.assessment.assessment
    pads = history.reading.reading.pads
    values = [_values(earlier, pad.analyte) for pad in pads]
    return [_row(pad, row, past, assessment, notation=notation)
            for pad, row, past in zip(pads, value_rows(pads, assessment, notation), values, strict=True)]


def _values(earlier: Sequence[ValidReading], analyte: str) -> list[float]:
    return [v.value for reading in earlier for v in reading.values if v.analyte == analyte]


def _row(pad: PadReading, row: ValueRow, past: list[float], assessment: Assessment | None, *, notation: Notation
         ) -> HistoryRow:
    judged = None if assessment is None else own_judgement(assessment, pad.analyte)
    estimate, verdict = pad.estimate(), judged.verdict if judged else None
    if judged is not None:
        bounds = bounds_of(judged.limit)
        bar = list_bar(estimate, bounds, verdict)
        dots = tuple(list_bar(Interval(value=v, low=v, high=v), bounds, verdict).at or 0.0 for v in past)
    else:
        scale = _own_scale([*past, *((estimate.low, estimate.high) if estimate else ())])
        bar = bar_on(scale, estimate, LimitBounds(), tone=tone(None), label="")
        dots = tuple(scale(v) for v in past)
    return HistoryRow(row=row, bar=bar, dots=dots, label=_label(row, past, pad.analyte, notation))


_ROOM: Final = 4.0


def _own_scale(values: Sequence[float]) -> Scale:
    """Return a linear scale over the values, for a quantity without limits."""
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    width = high - low or 1.0
    return lambda value: _ROOM + (100.0 - 2 * _ROOM) * (value - low) / width


def _label(row: ValueRow, past: list[float], analyte: str, notation: Notation) -> str:
    this = f"this one {row.cells.value}"
    if not past:
        return f"{row.name}: no earlier readings, {this}"
    unit = ANALYTES[analyte].unit
    ends = [written(Interval(value=v, low=0.97 * v, high=1.03 * v), unit, notation=notation).value
            for v in (min(past), max(past))]
    return f"{row.name}: {len(past)} earlier readings {ends[0]} to {ends[1]}, {this}"
