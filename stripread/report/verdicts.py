"""An assessment as the page shows it: the verdicts in words, a bar for each criterion, saturation as a plot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from assess.assessment import Assessment
from assess.decision import Verdict
from assess.followup import Compared
from assess.interval import Interval
from assess.judgement import Judgement
from assess.limits import Severity
from assess.options import WORDS, Outcome
from assess.outlook import BoilerOutlook
from assess.plan import Plan
from shared.analytes import ANALYTES
from shared.estimate import Z95
from shared.notation import PLAIN, Notation
from shared.rounding import significant
from shared.text import Written, written
from stripread.report.extraction import ExtractionPlot, extraction_plot
from stripread.report.options import OptionSheet, option_sheet
from stripread.report.plot import SaturationPlot, saturation_plot
from stripread.report.text import Tone, bound, percentage, permitted

#: Verdict, its word on a label, its tone on the page, and how a sentence about it begins; the worst first.
VERDICT_WORDS: dict[Verdict, tuple[str, Tone, str]] = {
    "out": ("out", "bad", "Out of limits:"),
    "undecided": ("undecided", "open", "Undecided:"),
    "in": ("in", "good", "Fine:"),
}
#: Empty part of a bar beyond the outermost thing shown on it, as a share of what is shown.
_MARGIN = 0.12


@dataclass(frozen=True, slots=True)
class Headline:
    """One sentence of the summary: what is out, undecided, fine."""

    tone: Tone
    words: str


@dataclass(frozen=True, slots=True)
class Bar:
    """A criterion on a line; positions run from 0 to 1, ``permitted`` is the stretch within the limits.

    ``treated``: what it becomes with the recommended treatment, and ``treated_at`` its place; None where it stays.
    """

    judgement: Judgement
    permitted: tuple[float, float]
    at: float
    interval: tuple[float, float]
    ticks: tuple[tuple[float, str], ...]
    notation: Notation = PLAIN
    treated: Outcome | None = None
    treated_at: float = 0.0

    @property
    def treated_text(self) -> str:
        """The treated value with its interval; empty where it stays."""
        if self.treated is None:
            return ""
        return written(self.treated, self.judgement.limit.unit, notation=self.notation).brief

    @property
    def _written(self) -> Written:
        return written(self.judgement, self.judgement.limit.unit, notation=self.notation)

    @property
    def name(self) -> str:
        """Criterion, and where in the machine."""
        j = self.judgement
        return f"{j.name}, {j.place}" if j.place else j.name

    @property
    def value(self) -> str:
        """The value as its interval allows."""
        return self._written.value

    @property
    def interval_text(self) -> str:
        """The 95 % interval."""
        return self._written.interval or f"{self.value} to {self.value}"

    @property
    def limits(self) -> str:
        """The permitted values."""
        limit = self.judgement.limit
        return permitted(limit.at_least, limit.at_most, limit.unit, self.notation)

    @property
    def unit(self) -> str:
        """The limit's unit; none is written after a pH."""
        return self.notation.unit_for(self.judgement.limit.unit)

    @property
    def reason(self) -> str:
        """Why it counts, and what would decide an inconclusive one."""
        return self.notation.prose(f"{self.judgement.reason} {self.judgement.decides}".strip())

    @property
    def holds(self) -> str:
        """The probability that the limit holds, never claimed to be certain."""
        return percentage(self.judgement.probability)

    @property
    def word(self) -> str:
        """The verdict's word; what was not read has none."""
        return "not read" if self.judgement.not_measured else VERDICT_WORDS[self.judgement.verdict][0]

    @property
    def tone(self) -> Tone:
        """The verdict's tone on the page."""
        return VERDICT_WORDS[self.judgement.verdict][1]


@dataclass(frozen=True, slots=True)
class TreatedRow:
    """An analyte behind the treatment as a row: expected and read, each with its 95 % interval."""

    name: str
    unit: str
    expected: str
    read: str


@dataclass(frozen=True, slots=True)
class ScaleRow:
    """A boiler with its temperature, and the scale it takes at most."""

    boiler: str
    scale: str


@dataclass(frozen=True, slots=True)
class AssessmentSheet:
    """Everything the page shows of one assessment."""

    assessment: Assessment
    headlines: tuple[Headline, ...]
    bars: tuple[Bar, ...]
    plot: SaturationPlot
    extraction: ExtractionPlot | None
    options: tuple[OptionSheet, ...]
    notation: Notation = PLAIN

    def prose(self, sentence: str) -> str:
        """A sentence of the assessment in the reader's notation."""
        return self.notation.prose(sentence)

    @property
    def tone(self) -> Tone:
        """The tone of the gravest headline."""
        return self.headlines[0].tone if self.headlines else "good"

    @property
    def chosen(self) -> OptionSheet | None:
        """The option the plan takes up."""
        return next((o for o in self.options if o.option == self.assessment.plan.option), None)

    @property
    def judged(self) -> tuple[Bar, ...]:
        """Criteria that count."""
        return tuple(b for b in self.bars if b.judgement.severity != "information")

    @property
    def informing(self) -> tuple[Bar, ...]:
        """Criteria shown for information."""
        return tuple(b for b in self.bars if b.judgement.severity == "information")

    @property
    def reasons(self) -> tuple[Bar, ...]:
        """Criteria that were measured and are not met for certain."""
        return tuple(b for b in self.judged if b.judgement.verdict != "in" and not b.judgement.not_measured)

    @property
    def upkeep(self) -> str:
        """When to change the unit, at what cost, and when to test again."""
        return self.prose(" ".join(_upkeep(self.assessment.plan)))

    @property
    def scaling(self) -> tuple[ScaleRow, ...]:
        """How much scale each boiler takes at most."""
        return tuple(_scale_row(b, self.notation) for b in self.assessment.boilers)

    @property
    def behind(self) -> tuple[TreatedRow, ...]:
        """Each analyte read behind the treatment beside what was to be expected there."""
        found = self.assessment.follow_up
        return () if found is None else tuple(_behind(row, self.notation) for row in found.compared)


def assessment_sheet(assessment: Assessment, notation: Notation = PLAIN) -> AssessmentSheet:
    """The assessment made ready for the page, numbers as its reader wants them."""
    return AssessmentSheet(
        assessment=assessment, headlines=tuple(headlines(assessment)), notation=notation,
        bars=tuple(_bar(j, notation, _treated(j, assessment)) for j in assessment.judgements),
        plot=saturation_plot(assessment, notation), extraction=extraction_plot(assessment),
        options=tuple(option_sheet(o, notation) for o in assessment.options))


def headlines(assessment: Assessment) -> Iterator[Headline]:
    """What is out of limits, what is undecided, what is fine: the worst first."""
    for verdict, (_, tone, words) in VERDICT_WORDS.items():
        found = [_named(s, assessment) for s, v in assessment.verdicts.items() if v == verdict]
        if found:
            yield Headline(tone, f"{words} {', '.join(found)}.")


def _named(severity: Severity, assessment: Assessment) -> str:
    """What was judged; a manufacturer's limits only where they are on file."""
    on_file = bool(assessment.equipment.maker_limits)
    return WORDS[severity] if severity != "machine" or on_file else "boiler chloride and level probe"


def _upkeep(plan: Plan) -> Iterator[str]:
    if plan.change_in_days is not None:
        litres = "" if plan.change_in_litres is None else f" ({plan.change_in_litres.value:.0f} L)"
        due = "" if plan.change_on is None else f", until {plan.change_on:%d %B %Y}"
        cost = "" if plan.yearly_cost is None else f"; about {plan.yearly_cost:.0f} {plan.currency or ''} a year"
        yield f"On this water the unit lasts about {plan.change_in_days.value:.0f} days{litres}{due}{cost}."
    yield f"Test again in {plan.test_in_days} days, and after any work on machine, unit or mains."


def _behind(row: Compared, notation: Notation) -> TreatedRow:
    half = Z95 * row.u_predicted
    ends = Interval(value=max(row.predicted, 0.0), low=max(row.predicted - half, 0.0), high=row.predicted + half)
    expected = written(ends, row.read.unit, notation=notation)
    found = written(row.read, row.read.unit, status=row.read.status, notation=notation)
    return TreatedRow(ANALYTES[row.analyte].name, found.unit, expected.brief, found.brief)


def _scale_row(b: BoilerOutlook, notation: Notation) -> ScaleRow:
    weight, thickness = b.scale_g_per_week, b.scale_mm_per_year
    value, low, high = (significant(v, 2) for v in (weight.value, weight.low, weight.high))
    thick = f"; {significant(thickness.value, 2)} mm a year if never removed" if thickness else ""
    return ScaleRow(notation.prose(f"{b.boiler}, {b.temperature_c:g} °C"),
                    notation.prose(f"{value} g a week ({low} to {high}){thick}"))


def _treated(j: Judgement, assessment: Assessment) -> Outcome | None:
    """The criterion with the recommended treatment, where that changes it."""
    found = next((o for o in assessment.plan.option.outcomes if o.id == j.id), None)
    small = 0.05 * max(abs(j.value), j.high - j.low)
    return found if found is not None and abs(found.value - j.value) > small else None


def _bar(j: Judgement, notation: Notation, treated: Outcome | None = None) -> Bar:
    bounds = [b for b in (j.limit.at_least, j.limit.at_most) if b is not None]
    shown = [j.low, j.high, *bounds, *([] if treated is None else [treated.value])]
    first, last = min(shown), max(shown)
    margin = _MARGIN * (last - first or 1.0)
    # A concentration is drawn from zero, so that lengths compare; a pH has no such zero.
    start = first - margin if j.limit.unit == "pH" or first < 0 else 0.0
    end = last + margin

    def place(value: float) -> float:
        return min(1.0, max(0.0, (value - start) / (end - start)))

    low, high = j.limit.at_least, j.limit.at_most
    return Bar(judgement=j, at=place(j.value), interval=(place(j.low), place(j.high)),
               permitted=(0.0 if low is None else place(low), 1.0 if high is None else place(high)),
               ticks=tuple((place(b), bound(b, j.limit.unit, notation)) for b in bounds), notation=notation,
               treated=treated, treated_at=0.0 if treated is None else place(treated.value))
