"""The measured values of a reading, each on its limits: the rows of answer card, reading and lists."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from assess.assessment import Assessment
from shared.estimate import Measurement
from shared.notation import PLAIN, Notation
from stripread.reading.result import PadReading
from stripread.report.figures.window import LimitBounds, Tone, WindowBar, bounds_of, list_bar, own_judgement, tone
from stripread.report.ramp import swatch
from stripread.report.text import ValueCells, cells, permitted
from stripread.report.verdicts import VERDICT_WORDS


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueRow:
    """A value with its pad colour ("" without one) and its bar; ``word``: its verdict in words, empty without one.

    ``limits``: the permitted values in words; ``reason``: why there is no value.
    """

    analyte: str
    cells: ValueCells
    colour: str
    tone: Tone
    word: str
    bar: WindowBar | None
    limits: str
    reason: str

    @property
    def name(self) -> str:
        """Name of the analyte, as at the start of a line."""
        return self.cells.name[:1].upper() + self.cells.name[1:] if self.analyte != "ph" else self.cells.name


def value_rows(
    pads: Iterable[Measurement], assessment: Assessment | None, notation: Notation = PLAIN
) -> list[ValueRow]:
    """Return a row for each value, in the order of the pads; without an assessment they have no limits."""
    return [_row(pad, assessment, notation) for pad in pads]


def _row(pad: Measurement, assessment: Assessment | None, notation: Notation) -> ValueRow:
    estimate, shown = pad.estimate(), cells(pad, notation)
    judged = None if assessment is None else own_judgement(assessment, pad.analyte)
    verdict = judged.verdict if judged is not None and estimate is not None else None
    bounds = LimitBounds() if judged is None else bounds_of(judged.limit)
    limits = "" if judged is None else permitted(bounds.at_least, bounds.at_most, judged.limit.unit, notation)
    return ValueRow(
        analyte=pad.analyte, cells=shown, tone=tone(verdict) if estimate else "nr", limits=limits, reason=pad.reason,
        colour=swatch(pad.lab) if isinstance(pad, PadReading) and pad.lab is not None else "",
        word=VERDICT_WORDS[verdict][0] if verdict else "" if estimate else "no result",
        bar=None if judged is None or estimate is None else list_bar(estimate, bounds, verdict))


def colours(pads: Iterable[PadReading]) -> tuple[str, ...]:
    """Return the measured pad colours for a glyph, "" for a pad without a result."""
    return tuple(swatch(p.lab) if p.lab is not None and p.value is not None else "" for p in pads)
