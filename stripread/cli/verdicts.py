"""An assessment on the terminal: the first screen, then all verdicts and options.

The first screen is verdict, what to do, the water before and after, why, and what is missing.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from assess.assessment import Assessment
from assess.comparison import interval_words, setting_words
from assess.options import Option
from assess.water_properties import Change
from shared.notation import significant
from shared.text import written
from stripread.cli.output import width
from stripread.report.verdicts import AssessmentSheet, Bar, assessment_sheet

#: Lines of the first screen.
LINES: Final = 25
#: Properties shown before and after, in this order.
_FIRST_SHOWN: Final = ("total hardness", "total alkalinity", "pH at the outlet", "pH after standing in air", "chloride",
                 "sodium", "free chlorine")
_MORE: Final = "All criteria, options, assumptions and cautions: --details."
#: Amounts that a balance shows, mg/L.
_WEIGHED: Final = 0.5
#: A number and its unit.
_UNIT: Final = re.compile(r"(\d) (%|mg/L|L\b|days)")
#: What a bed of calcite gives is not weighed in.
_BED: Final = "CaCO3"
#: Computed from the charge balance where it was not measured.
_ESTIMATED: Final = {"sodium"}
#: Shown even where the treatment leaves them.
_ALWAYS: Final = ("total hardness", "total alkalinity", "pH at the outlet")


@dataclass(frozen=True, slots=True)
class Block:
    """Lines that belong together; of blocks that find no room, those of the highest ``rank`` are left out."""

    rank: int
    lines: list[str]


def first_screen(sheet: AssessmentSheet) -> list[str]:
    """At most ``LINES`` lines; what has no room is in the details."""
    a = sheet.assessment
    blocks = [Block(0, [*_head(sheet), *_action(sheet), *_water(sheet)]), *_because(a), *_caution_blocks(a)]
    while sum(len(b.lines) for b in blocks) >= LINES and any(b.rank for b in blocks):
        blocks.remove(max(reversed(blocks), key=lambda b: b.rank))
    return [*[line for b in blocks for line in b.lines][:LINES - 1], _MORE]


def _head(sheet: AssessmentSheet) -> Iterator[str]:
    a = sheet.assessment
    yield f"{a.sample}, for {a.equipment.name} (limits: {a.provenance.limits})"
    for headline in sheet.headlines:
        yield from wrapped("  ", headline.words)


def _action(sheet: AssessmentSheet) -> Iterator[str]:
    a = sheet.assessment
    if a.diagnosis is not None:
        yield from wrapped("Treatment: ", a.diagnosis.sentence)
    yield from wrapped("Do: ", a.plan.next_step)
    doses = [f"{significant(mg_l, 2)} mg/L {what}" for what, mg_l in a.plan.option.dose.items()
             if mg_l >= _WEIGHED and what != _BED]
    if doses:
        yield from wrapped("Doses: ", f"{', '.join(doses)} (food-grade, as weighed with their crystal water).")
    if sheet.with_treatment:
        yield from wrapped("Result: ", sheet.with_treatment)
    yield from wrapped("Then: ", sheet.upkeep)


def _water(sheet: AssessmentSheet) -> Iterator[str]:
    """The tap and, where something changes, the treated water; intervals of 95 %."""
    option = sheet.assessment.plan.option
    rows = {c.name: c for c in option.changes}
    treated = bool(option.stages) and option.kind not in ("drain-and-refresh", "test-interval", "softener-bypass")
    head = ("Water", "tap", "treated") if treated else ("Water", "tap")
    shown = [rows[name] for name in _FIRST_SHOWN if name in rows]
    if treated:
        shown = [c for c in shown if c.name in _ALWAYS or c.before != c.after]
    measured = {e.analyte for e in sheet.assessment.values}
    yield from aligned([head, *(_change_row(c, measured)[: len(head)] for c in shown)], left=1)


def _change_row(change: Change, measured: set[str]) -> tuple[str, ...]:
    before, after = written(change.before, change.unit), written(change.after, change.unit)
    name = f"{change.name}, estimated" if change.name in _ESTIMATED - measured else change.name
    return (f"{name} [{before.unit}]" if before.unit else name, before.brief, after.brief)


def _because(a: Assessment) -> Iterator[Block]:
    for warning in a.warnings:
        yield Block(2, wrapped("Warning: ", warning.words))
    for question in a.questions[:1]:
        yield Block(2, wrapped("Question: ", question))
    for rank, title, text in ((3, "Why not less: ", a.plan.why_not_less), (4, "Why not more: ", a.plan.why_not),
                              (5, "Missing: ", a.plan.missing)):
        if text:
            yield Block(rank, wrapped(title, text))


def _caution_blocks(a: Assessment) -> Iterator[Block]:
    """Cautions of the recommended action, the most severe first: the first always finds room."""
    for i, caution in enumerate(a.plan.option.cautions):
        yield Block(1 if i == 0 else 5 + i, wrapped("Caution: ", caution))


def wrapped(title: str, text: str, *, indent: str = "  ") -> list[str]:
    """Return lines no wider than the terminal; a number stays on the line of its unit."""
    joined = _UNIT.sub("\\1\N{NO-BREAK SPACE}\\2", title + text)
    lines = textwrap.wrap(joined, width(), subsequent_indent=indent)
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def aligned(rows: Sequence[tuple[str, ...]], *, left: int) -> Iterator[str]:
    """Rows in columns, the first ``left`` of them flush left."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (text.ljust(w) if i < left else text.rjust(w)
                 for i, (text, w) in enumerate(zip(row, widths, strict=True)))
        yield "  " + "  ".join(cells).rstrip()


#: Options shown; the report and --json have all.
_OPTIONS_SHOWN = 5


def as_text(a: Assessment, *, details: bool = False) -> str:
    """The first screen, at most 25 lines; with ``details`` all that is known after it."""
    sheet = assessment_sheet(a)
    screen = first_screen(sheet)
    if not details:
        return "\n".join(screen)
    return "\n".join((
        *screen, *_details(sheet), "", *_table(sheet), *_listed("Questions", a.questions),
        *_listed("Clarify first", a.plan.first),
        *_listed("Why", (f"{b.name}: {b.judgement.reason}" for b in sheet.reasons)),
        *_listed("Scale, at most", (f"{s.boiler}: {s.scale}" for s in sheet.scaling)), *_options(a),
        *_listed("Assumed", _assumed(a)), *_listed("Noted", a.notes), *_listed("Cautions", _cautions(a)),
        *_listed("Rule", [a.provenance.rule])))


def _details(sheet: AssessmentSheet) -> Iterator[str]:
    if sheet.treated_water:
        yield ""
        yield from aligned([("Treated water", "expected", "measured"),
                             *((f"{b.name} [{b.unit}]" if b.unit else b.name, b.expected, b.read)
                               for b in sheet.treated_water)], left=1)


def _table(sheet: AssessmentSheet) -> Iterator[str]:
    return aligned([("", "criterion", "value", "95 % interval", "limit", "conforms"), *map(_row, sheet.bars)], left=2)


def _row(bar: Bar) -> tuple[str, ...]:
    word = bar.word.upper() if bar.tone == "bad" else bar.word
    return (word, f"{bar.name} [{bar.unit}]" if bar.unit else bar.name, bar.value, bar.interval_text, bar.limits,
            bar.conformity)


def _options(a: Assessment) -> Iterator[str]:
    yield ""
    shown = a.options[:_OPTIONS_SHOWN]
    yield f"Options, best first ({len(shown)} of {len(a.options)}):"
    for option in shown:
        yield from wrapped(f"  {option.rank:>2}. ", _option(option), indent="      ")


def _option(option: Option) -> str:
    installed = " (installed)" if option.installed else ""
    setting = "" if option.setting is None else f", {option.setting_name} {setting_words(option, option.setting)}"
    drain = "" if option.drain_days is None else f", steam boiler drained every {interval_words(option.drain_days)}"
    return f"{option.name}{installed}{setting}{drain}. {option.why}"


def _assumed(a: Assessment) -> Iterator[str]:
    return (x.why for x in a.assumptions)


def _cautions(a: Assessment) -> tuple[str, ...]:
    """Those for any machine, and those of what is recommended."""
    return tuple(dict.fromkeys((*a.cautions, *a.plan.option.cautions)))


def _listed(title: str, sentences: Iterable[str]) -> Iterator[str]:
    """Yield a title and its sentences as a wrapped list; nothing without sentences."""
    listed = list(sentences)
    if listed:
        yield ""
        yield f"{title}:"
    for sentence in listed:
        yield from wrapped("  - ", sentence, indent="    ")
