"""Results: measured values, manual corrections, laboratory results, and statements of conformity."""

from __future__ import annotations

import re
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
from stripread.report.test_report.basis import Case
from stripread.report.text import cells
from stripread.report.verdicts import Bar, assessment_sheet
from stripread.store.models.evidence import Correction, LabResult, StoredAssessment

_INTERVALS = ("Each measured value is given with its 95 % interval in the same unit. The interval includes all "
              "components listed under Uncertainty. It can be asymmetric where the calibration chart is curved.")
_BY_PERSON = ("These values were entered manually; they are not results of the method. The original results above are "
              "unchanged.")
#: Marks limits without a published source in the limit sets.
_UNPUBLISHED = "common practice, no source"
#: A remark that a source was not consulted when its value was entered.
_REMARK = re.compile(r"[;,]? ?from memory( and a secondary page)?")
_EXTERNAL = "Results of external providers, not of the issuer's own method:"


def results(case: Case) -> Iterator[Section]:
    """Sections with the measured values, manual values, external results and conformity."""
    yield Section("Results", tuple(_results(case)), edge="bad" if case.of.reading.status == "no-result" else "")
    if case.of.corrections:
        rows = tuple(_correction(case, c) for c in case.of.corrections)
        yield Section(
            "Values entered manually",
            (
                Text(_BY_PERSON),
                DocumentTable("Values entered manually", ("Analyte", "Value", "Entered by", "Date", "Reason"), rows),
            ),
        )
    if case.laboratory:
        head = ("Analyte", "Value", "Standard uncertainty", "Sample taken", "Provider", "Report", "Method")
        yield Section("External results", (
            Text(_EXTERNAL), DocumentTable("External results", head, tuple(map(_external, case.laboratory)))))
    yield _conformity(case)


def _results(case: Case) -> Iterator[Block]:
    reading = case.of.reading.reading
    if reading.reason:
        yield Text(f"No result. {reading.reason}", "bad", strong=True)
    if reading.pads:
        yield DocumentTable("Results", ("Analyte", "Value", "Unit", "95 % interval", "Remark"),
                    tuple(map(_pad, reading.pads)))
        yield Text(_INTERVALS, "soft")
    if reading.flags:
        yield Bullets(tuple(FLAGS[flag].words for flag in reading.flags))


def _pad(pad: PadReading) -> tuple[Cell, ...]:
    found = cells(pad)
    remark = " ".join((pad.reason, *(FLAGS[f].meaning for f in in_order(frozenset(pad.flags))))).strip()
    return row(found.name, number(found.value), found.unit, number(found.interval), remark)


def _correction(case: Case, c: Correction) -> tuple[Cell, ...]:
    own = " (own reading)" if c.own else ""
    return row(ANALYTES[c.analyte].name, number(format_estimate(c.estimate)), case.person(c.account) + own,
               number(f"{c.at:%Y-%m-%d}"), c.why)


def _external(result: LabResult) -> tuple[Cell, ...]:
    bound = "" if result.status == "measured" else f"{result.status} "
    return row(ANALYTES[result.analyte].name, number(f"{bound}{result.value:g} {result.unit}"),
               number("not stated" if result.u is None else f"{result.u:g}"), number(f"{result.taken:%Y-%m-%d}"),
               result.laboratory or "not stated", result.report or "-", result.method or "not stated")


def _conformity(case: Case) -> Section:
    if case.assessment is None:
        return Section("Conformity", (Text("No statement of conformity is made on these results."),))
    assessment = case.assessment.assessment
    sheet = assessment_sheet(assessment)
    head = ("Criterion", "Value (95 % interval)", "Permitted", "Probability of conformity", "Verdict")
    return Section(
        "Conformity",
        (
            *(Text(h.words, h.tone, strong=True) for h in sheet.headlines),
            _rule(case.assessment),
            DocumentTable("Conformity", head, tuple(map(_judged, sheet.judged))),
            Text("Sources of the limits:", "soft"),
            Bullets(tuple(dict.fromkeys(f"{j.name}: {_source(j.limit.source)}" for j in assessment.judgements))),
        ),
        edge=sheet.tone,
    )


def _source(stated: str) -> str:
    """Return the source of a limit for customers; its basis and remarks for developers are in the data files."""
    if stated.startswith(_UNPUBLISHED):
        return "laboratory-defined limit"
    return _REMARK.sub("", stated.replace(_UNPUBLISHED, "laboratory-defined")).replace(" ()", "")


def _rule(judged: StoredAssessment) -> Facts:
    """Equipment, limits and decision rule (ISO/IEC 17025:2017, 7.8.6)."""
    assessment, made = judged.assessment, judged.assessment.provenance
    return facts((
        ("Equipment", f"{assessment.equipment.name}, with the values of this report"), ("Limits", made.limits),
        ("Decision rule", made.rule), ("Assumptions", " ".join(a.why for a in assessment.assumptions)),
        ("Inputs", f"SHA-256 {made.inputs_sha256}, {made.draws} draws")))


def _judged(bar: Bar) -> tuple[Cell, ...]:
    return row(bar.name, number(f"{bar.value} ({bar.interval_text}) {bar.unit}".strip()), number(bar.limits),
               number(bar.conformity), Cell(bar.word, bar.tone))
