"""View models of stored readings: a reading's page, its images by their addresses, its pad colours in lists.

On the page the photograph and the values come first; the rest is folded with its result.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from assess.assessment import Assessment
from calibration.chart import Chart
from shared.notation import Notation
from stripread.reading.result import PadReading
from stripread.report.figures.window import (
    LimitBounds,
    Tone,
    ValueRow,
    WindowBar,
    bounds_of,
    own_judgement,
    ramp_bar,
    tone,
    value_rows,
)
from stripread.report.overlay import marks, pad_labels
from stripread.report.page import PadSheet, ReadingSheet, pad_sheet
from stripread.report.picture import PhotoView, Picture, photo_view
from stripread.report.ramp import swatch
from stripread.report.verdicts import AssessmentSheet, Bar, assessment_sheet
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.materials import StoredChart
from stripread.store.reading_history import ReadingHistory
from stripread.store.reading_query import pad_colours
from stripread.store.store import Store
from stripread.web.worker_process import PhotoThumbnails


def judged_sheet(stored: StoredAssessment | None, notation: Notation) -> AssessmentSheet | None:
    """Return the view model of an assessment."""
    return None if stored is None else assessment_sheet(stored.assessment, notation)


def reading_sheet(history: ReadingHistory, chart: StoredChart, views: PhotoThumbnails | None, notation: Notation
                  ) -> ReadingSheet:
    """Return the view model of a stored reading; with ``views``, images are loaded from their own addresses."""
    reading, beside = history.reading.reading, f"/readings/{history.reading.id}"
    pads = tuple(pad_sheet(pad, chart.chart, f"{beside}/pads/{pad.analyte}" if views else "", notation)
                 for pad in reading.pads)
    seen = Picture(f"{beside}/picture", views.width, views.height) if views else Picture("", 0.0, 0.0)
    return ReadingSheet(reading=reading, chart=chart.chart, picture=seen, drawn=tuple(marks(reading)),
                        labels=tuple(pad_labels(reading, notation)), pads=pads,
                        judged=judged_sheet(history.assessment, notation))


def glyphs(store: Store, readings: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Return the measured pad colours by reading as CSS colours, "" for a pad without a result."""
    colours = pad_colours(store, readings)
    return {id_: tuple(swatch(lab) if lab else "" for lab in labs) for id_, labs in colours.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class PadOnCurve:
    """A value, its pad, and its place on the calibration curve; ``bar``: value and limits on the curve's axis."""

    row: ValueRow
    sheet: PadSheet
    bar: WindowBar | None

    @property
    def label(self) -> str:
        """What the figure shows, for screen readers."""
        parts = [self.row.cells.sentence if self.row.cells.interval else f"{self.row.name}: no result"]
        parts += [f"limits {self.row.limits}"] if self.row.limits else []
        return ", ".join([*parts, *filter(None, [self.row.word])])


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitLine:
    """A criterion with its outcome."""

    bar: Bar
    tone: Tone


def measured_pads(history: ReadingHistory, chart: Chart, notation: Notation, crops: str = "") -> list[PadOnCurve]:
    """Return the pads of a reading; ``crops``: address of the images of its pads, if there are any."""
    assessment = None if history.assessment is None else history.assessment.assessment
    pads = history.reading.reading.pads
    return [PadOnCurve(row=row, sheet=pad_sheet(pad, chart, f"{crops}/{pad.analyte}" if crops else "", notation),
                        bar=_bar(pad, chart, assessment))
            for row, pad in zip(value_rows(pads, assessment, notation), pads, strict=True)]


def _bar(pad: PadReading, chart: Chart, assessment: Assessment | None) -> WindowBar | None:
    curve, estimate = chart.curve(pad.analyte), pad.estimate()
    if curve is None:
        return None
    judged = None if assessment is None else own_judgement(assessment, pad.analyte)
    if judged is None:
        return ramp_bar(curve, estimate, LimitBounds(), "nr")
    return ramp_bar(curve, estimate, bounds_of(judged.limit), tone(judged.verdict) if estimate else "nr")


def whole_photograph(history: ReadingHistory, views: PhotoThumbnails | None) -> PhotoView | None:
    """Return the view of the photograph, turned by the card; None where it was purged or cannot be decoded."""
    if views is None:
        return None
    stored = history.reading
    return photo_view(stored.reading, f"/readings/{stored.id}/picture", (views.width, views.height))


@dataclass(frozen=True, slots=True)
class ReadingSummary:
    """What the summary line of each folded section states."""

    history: ReadingHistory
    notation: Notation

    @property
    def pads(self) -> str:
        """Number of pads measured, and those without a result."""
        pads = self.history.reading.reading.pads
        missing = [p.analyte for p in pads if p.value is None]
        measured = f"{len(pads) - len(missing)} of {len(pads)} measured"
        return f"{measured}, no result for {', '.join(missing)}" if missing and len(missing) < len(pads) else measured

    @property
    def limits(self) -> str:
        """Number of criteria by outcome, the most severe first."""
        bars = self._judged
        count = Counter("not measured" if b.judgement.not_measured else b.word for b in bars)
        order = ("out of limits", "inconclusive", "not measured")
        counts = [f"{count[word]} {word}" for word in order if count[word]]
        return f"{', '.join(counts)} of {len(bars)}" if counts else f"all {len(bars)} within limits"

    @property
    def _judged(self) -> tuple[Bar, ...]:
        sheet = judged_sheet(self.history.assessment, self.notation)
        return () if sheet is None else sheet.judged

    @property
    def budget(self) -> str:
        """Largest component of the uncertainty, over all pads."""
        parts = [max(p.budget, key=lambda part: part.u).name for p in self.history.reading.reading.pads if p.budget]
        return f"largest component: {Counter(parts).most_common(1)[0][0]}" if parts else ""

    @property
    def provenance(self) -> str:
        """Chart and card."""
        reading = self.history.reading.reading
        card = f", card of print run {reading.card.run}" if reading.card else ""
        return f"chart of batch {reading.provenance.batch}{card}"

    @property
    def trail(self) -> str:
        """Whether the reading is current, and the number of entries."""
        state = "superseded" if self.history.superseded_by else "current"
        return f"{state}, {len(self.history.entries)} entries"


def limit_lines(history: ReadingHistory, notation: Notation) -> list[LimitLine]:
    """Return the criteria, the most severe outcome first."""
    sheet = judged_sheet(history.assessment, notation)
    bars = () if sheet is None else sheet.judged
    lines = [LimitLine(bar=b, tone="nr" if b.judgement.not_measured else tone(b.judgement.verdict)) for b in bars]
    return sorted(lines, key=lambda line: ("out", "un", "nr", "ok").index(line.tone))


def headline(history: ReadingHistory, notation: Notation) -> tuple[Tone, str]:
    """Return the outcome of a reading in one line: the criterion that decides, with its value and its limits."""
    reading = history.reading.reading
    if reading.status == "no-result":
        return "nr", "No result"
    lines = limit_lines(history, notation)
    if not lines:
        return "nr", "Not assessed"
    first = lines[0]
    if first.tone == "ok":
        return "ok", "Within limits"
    others = sum(line.tone == first.tone for line in lines) - 1
    return first.tone, "".join(_sentence(first, others))


def _sentence(line: LimitLine, others: int) -> Iterator[str]:
    b = line.bar
    if line.tone == "nr":
        yield f"Not assessed: {', '.join(b.judgement.not_measured)} not measured"
        return
    unit = f" {b.unit}" if b.unit else ""
    one_sided = b.judgement.limit.at_least is None
    limits = f"limit {b.limits.removeprefix('at most ')}" if one_sided else f"limits {b.limits}"
    yield f"{b.word[:1].upper()}{b.word[1:]}: {b.name} {b.value}{unit}, {limits}"
    if others:
        yield f", and {others} more"
