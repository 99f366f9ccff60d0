"""The first screen of an assessment: verdict, what to do, the water before and after, why, and what is missing."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from assess.assessment import Assessment
from assess.options import Change
from assess.treatment.cautions import DOSING
from shared.rounding import significant
from shared.text import written
from stripread.cli.output import width
from stripread.report.verdicts import AssessmentSheet

#: Lines of the first screen.
LINES: Final = 25
#: Properties shown before and after, in this order.
_SHOWN: Final = ("total hardness", "total alkalinity", "pH as it leaves", "pH after standing in air", "chloride",
                 "sodium", "free chlorine")
_MORE: Final = "All criteria, options, assumptions and cautions: --details."
#: Amounts that a balance shows, mg/L.
_WEIGHED: Final = 0.5
#: What a bed of calcite gives is not weighed in.
_BED: Final = "CaCO3"
#: Shown even where the treatment leaves them.
_ALWAYS: Final = ("total hardness", "total alkalinity", "pH as it leaves")


def first_screen(sheet: AssessmentSheet) -> list[str]:
    """At most ``LINES`` lines; what has no room is in the details."""
    lines = [*_head(sheet), *_action(sheet), *_water(sheet)]
    cautions = _cautions(sheet.assessment)
    dosing = _wrapped("Caution: ", cautions.pop(0)) if cautions[:1] == [DOSING] else []
    lines += [*[*_because(sheet.assessment)][:max(0, LINES - 1 - len(lines) - len(dosing))], *dosing]
    for caution in cautions:
        wrapped = _wrapped("Caution: ", caution)
        if len(lines) + len(wrapped) < LINES:
            lines += wrapped
    return [*lines[:LINES - 1], _MORE]


def _head(sheet: AssessmentSheet) -> Iterator[str]:
    a = sheet.assessment
    yield f"{a.sample}, for {a.equipment.name} (limits: {a.provenance.limits})"
    yield from (f"  {h.words}" for h in sheet.headlines)


def _action(sheet: AssessmentSheet) -> Iterator[str]:
    a = sheet.assessment
    if a.diagnosis is not None:
        yield from _wrapped("Treatment: ", a.diagnosis.sentence)
    yield from _wrapped("Do: ", a.plan.next_step)
    doses = [f"{significant(mg_l, 2)} mg/L {what}" for what, mg_l in a.plan.option.dose.items()
             if mg_l >= _WEIGHED and what != _BED]
    if doses:
        yield from _wrapped("Doses: ", f"{', '.join(doses)} (food-grade, as weighed with their crystal water).")
    yield from _wrapped("Then: ", sheet.upkeep)


def _water(sheet: AssessmentSheet) -> Iterator[str]:
    """The tap and, where something changes, the treated water; intervals of 95 %."""
    option = sheet.assessment.plan.option
    rows = {c.name: c for c in option.changes}
    treated = bool(option.stages) and option.kind not in ("drain-and-refresh", "test-interval")
    head = ("Water", "tap", "treated") if treated else ("Water", "tap")
    shown = [rows[name] for name in _SHOWN if name in rows]
    if treated:
        shown = [c for c in shown if c.name in _ALWAYS or c.before != c.after]
    yield from aligned([head, *(_row(c)[: len(head)] for c in shown)], left=1)


def _row(change: Change) -> tuple[str, ...]:
    before, after = written(change.before, change.unit), written(change.after, change.unit)
    return (f"{change.name} [{before.unit}]" if before.unit else change.name, before.brief, after.brief)


def _because(a: Assessment) -> Iterator[str]:
    for warning in a.warnings:
        yield from _wrapped("Warning: ", warning.words)
    if a.plan.why_not:
        yield from _wrapped("Why not more: ", a.plan.why_not)
    for question in a.questions[:1]:
        yield from _wrapped("Question: ", question)
    if a.plan.missing:
        yield from _wrapped("Missing: ", a.plan.missing)


def _cautions(a: Assessment) -> list[str]:
    """Cautions of the recommended action, that on dosing first: it always has room."""
    return sorted(a.plan.option.cautions, key=lambda caution: caution != DOSING)


def _wrapped(title: str, text: str) -> list[str]:
    return textwrap.wrap(title + text, width(), subsequent_indent="  ")


def aligned(rows: Sequence[tuple[str, ...]], *, left: int) -> Iterator[str]:
    """Rows in columns, the first ``left`` of them flush left."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (text.ljust(w) if i < left else text.rjust(w)
                 for i, (text, w) in enumerate(zip(row, widths, strict=True)))
        yield "  " + "  ".join(cells).rstrip()
