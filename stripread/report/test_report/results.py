"""What was found: values, persons' values beside them, laboratories' results, and whether limits hold."""

from __future__ import annotations

from collections.abc import Iterator

from shared.analytes import ANALYTES
from shared.flags import FLAGS, in_order
from shared.text import format_estimate
from stripread.reading.result import PadReading
from stripread.report.document.model import (
    Block,
    Bullets,
    Cell,
    DocumentTable,
    Facts,
    Section,
    Text,
    facts,
    number,
    row,
)
from stripread.report.test_report.case import Case
from stripread.report.text import cells
from stripread.report.verdicts import Bar, assessment_sheet
from stripread.store.models.evidence import Correction, LabResult, StoredAssessment

_INTERVALS = ("Each value is given with its 95 % interval, in the same unit. The interval holds all parts of the "
              "uncertainty that stand under Uncertainty; it may be lopsided where the chart is curved.")
_BY_PERSON = ("A person set these values; the method did not read them. What was read stands above, unchanged.")
_EXTERNAL = "Results of external providers, not of the issuer's own method:"


def results(case: Case) -> Iterator[Section]:
    """Values first; then what stands beside them."""
    yield Section("Results", tuple(_results(case)), edge="bad" if case.of.reading.status == "refused" else "")
    if case.of.corrections:
        rows = tuple(_correction(case, c) for c in case.of.corrections)
        yield Section(
            "Values set by a person",
            (
                Text(_BY_PERSON),
                DocumentTable("Values set by a person", ("In the water", "Value", "By", "On", "Why"), rows),
            ),
        )
    if case.laboratory:
        head = ("In the water", "Value", "Standard uncertainty", "Sample taken", "Provider", "Report", "Method")
        yield Section("External results", (
            Text(_EXTERNAL), DocumentTable("External results", head, tuple(map(_external, case.laboratory)))))
    yield _conformity(case)


def _results(case: Case) -> Iterator[Block]:
    reading = case.of.reading.reading
    if reading.reason:
        yield Text(f"No value. {reading.reason}", "bad", strong=True)
    if reading.pads:
        yield DocumentTable("Results", ("In the water", "Value", "Unit", "95 % interval", "Remark"),
                    tuple(map(_pad, reading.pads)))
        yield Text(_INTERVALS, "soft")
    if reading.flags:
        yield Bullets(tuple(FLAGS[flag].words for flag in reading.flags))


def _pad(pad: PadReading) -> tuple[Cell, ...]:
    told = cells(pad)
    remark = " ".join((pad.reason, *(FLAGS[f].meaning for f in in_order(frozenset(pad.flags))))).strip()
    return row(told.name, number(told.value), told.unit, number(told.interval), remark)


def _correction(case: Case, c: Correction) -> tuple[Cell, ...]:
    own = " (own reading)" if c.own else ""
    return row(ANALYTES[c.analyte].name, number(format_estimate(c.estimate)), case.person(c.account) + own,
               number(f"{c.at:%Y-%m-%d}"), c.why)


def _external(result: LabResult) -> tuple[Cell, ...]:
    bound = "" if result.status == "read" else f"{result.status} "
    return row(ANALYTES[result.analyte].name, number(f"{bound}{result.value:g} {result.unit}"),
               number("not stated" if result.u is None else f"{result.u:g}"), number(f"{result.taken:%Y-%m-%d}"),
               result.laboratory or "not named", result.report or "-", result.method or "not stated")


def _conformity(case: Case) -> Section:
    if case.assessment is None:
        return Section("Conformity", (Text("No statement of conformity is made on these results."),))
    assessment = case.assessment.assessment
    sheet = assessment_sheet(assessment)
    head = ("Criterion", "Value (95 % interval)", "Permitted", "Limit holds with", "Verdict")
    return Section(
        "Conformity",
        (
            *(Text(h.words, h.tone, strong=True) for h in sheet.headlines),
            _rule(case.assessment),
            DocumentTable("Conformity", head, tuple(map(_judged, sheet.judged))),
            Text("Where the limits come from:", "soft"),
            Bullets(tuple(dict.fromkeys(f"{j.name}: {j.limit.source}" for j in assessment.judgements))),
        ),
        edge=sheet.tone,
    )


def _rule(judged: StoredAssessment) -> Facts:
    """For what, by which limits and by which rule (ISO/IEC 17025:2017, 7.8.6)."""
    assessment, made = judged.assessment, judged.assessment.provenance
    return facts((
        ("For", f"{assessment.equipment.name}, with the values of this report"), ("Limits", made.limits),
        ("Decision rule", made.rule), ("Assumed", " ".join(a.why for a in assessment.assumptions)),
        ("Inputs", f"SHA-256 {made.inputs_sha256}, {made.draws} draws")))


def _judged(bar: Bar) -> tuple[Cell, ...]:
    return row(bar.name, number(f"{bar.value} ({bar.interval_text}) {bar.unit}".strip()), number(bar.limits),
               number(bar.holds), Cell(bar.word, bar.tone))
