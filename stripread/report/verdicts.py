"""An assessment as the page shows it: the verdicts in words, a bar for each criterion, saturation as a plot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from assess.assessment import Assessment
from assess.decision import Verdict
from assess.followup import Compared
from assess.judgement import Judgement
from assess.options import WORDS
from assess.plan import Plan
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.report.options import OptionSheet, option_sheet
from stripread.report.plot import SaturationPlot, saturation_plot
from stripread.report.text import figure, percentage, permitted
from stripread.report.tone import Tone

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
    """A criterion on a line; positions run from 0 to 1, ``permitted`` is the stretch within the limits."""

    judgement: Judgement
    permitted: tuple[float, float]
    at: float
    interval: tuple[float, float]
    ticks: tuple[tuple[float, str], ...]

    @property
    def name(self) -> str:
        """Criterion, and where in the machine."""
        j = self.judgement
        return f"{j.name}, {j.place}" if j.place else j.name

    @property
    def value(self) -> str:
        """The value as its interval allows."""
        return figure(self.judgement.value, self.judgement.low, self.judgement.high)

    @property
    def interval_text(self) -> str:
        """The 95 % interval."""
        j = self.judgement
        return " to ".join(figure(v, j.low, j.high) for v in (j.low, j.high))

    @property
    def limits(self) -> str:
        """The permitted values."""
        return permitted(self.judgement.limit.at_least, self.judgement.limit.at_most)

    @property
    def unit(self) -> str:
        """The limit's unit; none is written after a pH."""
        return "" if self.judgement.limit.unit == "pH" else self.judgement.limit.unit

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
class Behind:
    """An analyte behind the treatment as a row: expected and read, each with its 95 % interval."""

    name: str
    unit: str
    expected: str
    read: str


@dataclass(frozen=True, slots=True)
class AssessmentSheet:
    """Everything the page shows of one assessment."""

    assessment: Assessment
    headlines: tuple[Headline, ...]
    bars: tuple[Bar, ...]
    plot: SaturationPlot
    options: tuple[OptionSheet, ...]

    @property
    def tone(self) -> Tone:
        """The tone of the gravest headline."""
        return self.headlines[0].tone if self.headlines else "good"

    @property
    def chosen(self) -> OptionSheet | None:
        """The option the plan takes up."""
        return next((o for o in self.options if o.option.id == self.assessment.plan.option), None)

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
        return " ".join(_upkeep(self.assessment.plan))

    @property
    def behind(self) -> tuple[Behind, ...]:
        """Each analyte read behind the treatment beside what was to be expected there."""
        found = self.assessment.follow_up
        return () if found is None else tuple(map(_behind, found.compared))


def assessment_sheet(assessment: Assessment) -> AssessmentSheet:
    """The assessment made ready for the page."""
    return AssessmentSheet(assessment=assessment, headlines=tuple(headlines(assessment)),
                           bars=tuple(map(_bar, assessment.judgements)), plot=saturation_plot(assessment),
                           options=tuple(map(option_sheet, assessment.options)))


def headlines(assessment: Assessment) -> Iterator[Headline]:
    """What is out of limits, what is undecided, what is fine: the worst first."""
    for verdict, (_, tone, words) in VERDICT_WORDS.items():
        found = [WORDS[s] for s, v in assessment.verdicts.items() if v == verdict]
        if found:
            yield Headline(tone, f"{words} {', '.join(found)}.")


def _upkeep(plan: Plan) -> Iterator[str]:
    if plan.change_in_days is not None:
        litres = "" if plan.change_in_litres is None else f" ({plan.change_in_litres:.0f} L)"
        due = "" if plan.change_on is None else f", that is {plan.change_on:%d %B %Y}"
        cost = "" if plan.yearly_cost is None else f"; about {plan.yearly_cost:.0f} {plan.currency or ''} a year"
        yield f"Change the unit after about {plan.change_in_days:.0f} days{litres}{due}{cost}."
    yield f"Test again in {plan.test_in_days} days, and after any work on machine, unit or mains."


def _behind(row: Compared) -> Behind:
    half = Z95 * row.u_predicted
    return Behind(ANALYTES[row.analyte].name, "" if row.analyte == "ph" else row.read.unit,
                  _with_interval(row.predicted, row.predicted - half, row.predicted + half),
                  _with_interval(row.read.value, row.read.low, row.read.high))


def _with_interval(value: float, low: float, high: float) -> str:
    told, *ends = (figure(max(v, 0.0), low, high) for v in (value, low, high))
    return f"{told} ({' to '.join(ends)})"


def _bar(j: Judgement) -> Bar:
    bounds = [b for b in (j.limit.at_least, j.limit.at_most) if b is not None]
    first, last = min(j.low, *bounds), max(j.high, *bounds)
    margin = _MARGIN * (last - first or 1.0)
    # A concentration is drawn from zero, so that lengths compare; a pH has no such zero.
    start = first - margin if j.limit.unit == "pH" or first < 0 else 0.0
    end = last + margin

    def place(value: float) -> float:
        return min(1.0, max(0.0, (value - start) / (end - start)))

    low, high = j.limit.at_least, j.limit.at_most
    return Bar(judgement=j, at=place(j.value), interval=(place(j.low), place(j.high)),
               permitted=(0.0 if low is None else place(low), 1.0 if high is None else place(high)),
               ticks=tuple((place(b), f"{b:g}") for b in bounds))
