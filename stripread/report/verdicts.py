"""View model of an assessment: verdicts in words, a bar for each criterion, a plot of the saturation index."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from assess.assessment import Assessment
from assess.comparison import listed
from assess.decision import Verdict
from assess.diagnosis.result import PredictionCheck
from assess.draws import Interval
from assess.judgement import Judgement
from assess.options import WORDS, Option, Outcome
from assess.water_properties import BoilerScaling
from shared.analytes import ANALYTES
from shared.estimate import Z95
from shared.notation import PLAIN, Notation, significant
from shared.text import FormattedValue, written
from stripread.report.options import (
    ExtractionPlot,
    OptionSheet,
    SaturationPlot,
    extraction_plot,
    option_sheet,
    saturation_plot,
    upkeep_sentences,
)
from stripread.report.text import Tone, bound, percentage, permitted

#: By verdict: its label, its tone on the page, and how a sentence about it begins; most severe first.
VERDICT_WORDS: dict[Verdict, tuple[str, Tone, str]] = {
    "out-of-limits": ("out of limits", "bad", "Out of limits:"),
    "inconclusive": ("inconclusive", "open", "Inconclusive:"),
    "within-limits": ("within limits", "good", "Within limits:"),
}
#: What the machine's criteria are called in a headline.
_MACHINE = {"boiler-chloride": "boiler chloride", "conductivity": "level probe"}
#: Kinds that change nothing, or that first ask for another sample.
_NO_ACTION = ("none", "test-interval", "particle-filter", "softener-bypass")
#: Margin of a bar beyond its outermost mark, as a fraction of the range shown.
_MARGIN = 0.12


@dataclass(frozen=True, slots=True)
class Headline:
    """Sentence of the summary: what is out of limits, inconclusive or within limits."""

    tone: Tone
    words: str


@dataclass(frozen=True, slots=True)
class Bar:
    """Criterion on a line; positions run from 0 to 1, ``permitted`` is the interval within the limits.

    ``treated``: its value with the recommended treatment, at position ``treated_at``; None where it does not change.
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
        """Treated value with its interval; empty where it does not change."""
        if self.treated is None:
            return ""
        return written(self.treated, self.judgement.limit.unit, notation=self.notation).brief

    @property
    def _written(self) -> FormattedValue:
        return written(self.judgement, self.judgement.limit.unit, status=self.judgement.status, notation=self.notation)

    @property
    def name(self) -> str:
        """Name of the criterion, and its place in the machine."""
        return self.judgement.title

    @property
    def value(self) -> str:
        """Value, rounded to its interval."""
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
        """Unit of the limit; empty for pH."""
        return self.notation.unit_for(self.judgement.limit.unit)

    @property
    def reason(self) -> str:
        """Reason for the limit, and what would resolve an inconclusive verdict."""
        return self.notation.prose(f"{self.judgement.reason} {self.judgement.decides}".strip())

    @property
    def conformity(self) -> str:
        """Probability of conformity, never stated as certain."""
        return percentage(self.judgement.probability)

    @property
    def word(self) -> str:
        """Label of the verdict; "not measured" without a measured value."""
        return "not measured" if self.judgement.not_measured else VERDICT_WORDS[self.judgement.verdict][0]

    @property
    def tone(self) -> Tone:
        """Tone of the verdict on the page."""
        return VERDICT_WORDS[self.judgement.verdict][1]


@dataclass(frozen=True, slots=True)
class TreatedRow:
    """Row of an analyte in treated water: expected and measured value, each with its 95 % interval."""

    name: str
    unit: str
    expected: str
    read: str


@dataclass(frozen=True, slots=True)
class ScaleRow:
    """Boiler with its temperature, and its scale at most."""

    boiler: str
    scale: str


@dataclass(frozen=True, slots=True)
class AssessmentSheet:
    """View model of one assessment."""

    assessment: Assessment
    headlines: tuple[Headline, ...]
    bars: tuple[Bar, ...]
    plot: SaturationPlot
    extraction: ExtractionPlot | None
    options: tuple[OptionSheet, ...]
    notation: Notation = PLAIN

    def prose(self, sentence: str) -> str:
        """Return a sentence of the assessment in the user's notation."""
        return self.notation.prose(sentence)

    @property
    def tone(self) -> Tone:
        """Tone of the most severe headline."""
        return self.headlines[0].tone if self.headlines else "good"

    @property
    def chosen(self) -> OptionSheet | None:
        """Option that the plan recommends."""
        return next((o for o in self.options if o.option == self.assessment.plan.option), None)

    @property
    def with_treatment(self) -> str:
        """Whether the recommended action brings all values within limits, and which not; empty without an action."""
        option = self.assessment.plan.option
        return "" if option.kind in _NO_ACTION else self.prose(_with_treatment(option))

    @property
    def judged(self) -> tuple[Bar, ...]:
        """Criteria that are assessed."""
        return tuple(b for b in self.bars if b.judgement.severity != "information")

    @property
    def informing(self) -> tuple[Bar, ...]:
        """Criteria shown for information."""
        return tuple(b for b in self.bars if b.judgement.severity == "information")

    @property
    def reasons(self) -> tuple[Bar, ...]:
        """Criteria that were measured and are not certainly met."""
        return tuple(b for b in self.judged if b.judgement.verdict != "within-limits" and not b.judgement.not_measured)

    @property
    def upkeep(self) -> str:
        """When to change the unit, the cost, and the date of the next test."""
        return self.prose(" ".join(upkeep_sentences(self.assessment.plan)))

    @property
    def scaling(self) -> tuple[ScaleRow, ...]:
        """Scale of each boiler, at most."""
        return tuple(_scale_row(b, self.notation) for b in self.assessment.boilers)

    @property
    def treated_water(self) -> tuple[TreatedRow, ...]:
        """Each analyte measured in the treated water, with its expected value."""
        diagnosis = self.assessment.diagnosis
        return () if diagnosis is None else tuple(_treated_row(row, self.notation) for row in diagnosis.compared)


def assessment_sheet(assessment: Assessment, notation: Notation = PLAIN) -> AssessmentSheet:
    """Return the view model of an assessment, numbers in the user's notation."""
    return AssessmentSheet(
        assessment=assessment, headlines=tuple(headlines(assessment)), notation=notation,
        bars=tuple(_bar(j, notation, _treated(j, assessment)) for j in assessment.judgements),
        plot=saturation_plot(assessment, notation), extraction=extraction_plot(assessment),
        options=tuple(option_sheet(o, notation) for o in assessment.options))


def headlines(assessment: Assessment) -> Iterator[Headline]:
    """Yield a headline for each verdict that occurs, most severe first."""
    named = _named(assessment)
    for verdict, (_, tone, words) in VERDICT_WORDS.items():
        names = [name for name, its in named.items() if its == verdict]
        if names:
            yield Headline(tone, f"{words} {', '.join(names)}.")


def _named(assessment: Assessment) -> dict[str, Verdict]:
    """What was assessed, and the worst verdict; the criteria of the machine by name."""
    verdicts: dict[str, Verdict] = {}
    for j in (j for j in assessment.judgements if j.severity != "information"):
        machine = _MACHINE.get(j.limit.measure, f"the manufacturer's limit on {j.limit.measure}")
        name = machine if j.severity == "machine" else WORDS[j.severity]
        verdicts[name] = min(verdicts.get(name, "within-limits"), j.verdict, key=list(VERDICT_WORDS).index)
    return verdicts


def _with_treatment(option: Option) -> str:
    judged = [o for o in option.outcomes if o.severity != "information"]
    parts = [f"{listed([o.name for o in judged if o.verdict == v])} would be {VERDICT_WORDS[v][0]}"
             for v in ("out-of-limits", "inconclusive") if any(o.verdict == v for o in judged)]
    return f"With this treatment, {'; '.join(parts) or 'all measured values would be within limits'}."


def _treated_row(row: PredictionCheck, notation: Notation) -> TreatedRow:
    half = Z95 * row.u_predicted
    ends = Interval(value=max(row.predicted, 0.0), low=max(row.predicted - half, 0.0), high=row.predicted + half)
    expected = written(ends, row.read.unit, notation=notation)
    text = written(row.read, row.read.unit, status=row.read.status, notation=notation)
    return TreatedRow(ANALYTES[row.analyte].name, text.unit, expected.brief, text.brief)


def _scale_row(b: BoilerScaling, notation: Notation) -> ScaleRow:
    weight, thickness = b.scale_g_per_week, b.scale_mm_per_year
    value, low, high = (significant(v, 2) for v in (weight.value, weight.low, weight.high))
    thick = f"; {significant(thickness.value, 2)} mm per year if never removed" if thickness else ""
    return ScaleRow(notation.prose(f"{b.boiler}, {b.temperature_c:g} °C"),
                    notation.prose(f"{value} g per week ({low} to {high}){thick}"))


def _treated(j: Judgement, assessment: Assessment) -> Outcome | None:
    """Return the outcome with the recommended treatment, or None where it does not change."""
    outcome = next((o for o in assessment.plan.option.outcomes if o.id == j.id), None)
    width = j.high - j.low if j.status == "measured" else 0.0
    small = 0.05 * max(abs(j.value), width)
    return outcome if outcome is not None and abs(outcome.value - j.value) > small else None


def _bar(j: Judgement, notation: Notation, treated: Outcome | None = None) -> Bar:
    bounds = [b for b in (j.limit.at_least, j.limit.at_most) if b is not None]
    # The open end of a one-sided interval is drawn at the edge.
    ends = {"below": [j.value, j.high], "above": [j.low, j.value]}.get(j.status, [j.low, j.high])
    shown = [*ends, *bounds, *([] if treated is None else [treated.value])]
    first, last = min(shown), max(shown)
    margin = _MARGIN * (last - first or 1.0)
    # Concentrations start at zero, so that lengths are comparable; pH has no zero.
    start = first - margin if j.limit.unit == "pH" or first < 0 else 0.0
    end = last + margin

    def place(value: float) -> float:
        return min(1.0, max(0.0, (value - start) / (end - start)))

    low, high = j.limit.at_least, j.limit.at_most
    return Bar(judgement=j, at=place(j.value), interval=(place(j.low), place(j.high)),
               permitted=(0.0 if low is None else place(low), 1.0 if high is None else place(high)),
               ticks=tuple((place(b), bound(b, j.limit.unit, notation)) for b in bounds), notation=notation,
               treated=treated, treated_at=0.0 if treated is None else place(treated.value))
