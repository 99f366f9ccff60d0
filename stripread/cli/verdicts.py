"""An assessment as text for a person: a first screen with verdict and action, and the details on request."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from assess.assessment import Assessment
from assess.comparison import setting_words
from assess.options import Option
from stripread.cli.first_screen import aligned, first_screen, wrapped
from stripread.report.verdicts import AssessmentSheet, Bar, assessment_sheet

#: Options shown; the report and --json have all.
_SHOWN = 5


def as_text(a: Assessment, *, details: bool = False) -> str:
    """The first screen, at most 25 lines; with ``details`` all that is known after it."""
    sheet = assessment_sheet(a)
    screen = first_screen(sheet)
    if not details:
        return "\n".join(screen)
    return "\n".join((
        *screen, *_behind(sheet), "", *_table(sheet), *_listed("Questions", a.questions),
        *_listed("Clarify first", a.plan.first),
        *_listed("Why", (f"{b.name}: {b.judgement.reason}" for b in sheet.reasons)),
        *_listed("Scale, at most", (f"{s.boiler}: {s.scale}" for s in sheet.scaling)), *_options(a),
        *_listed("Assumed", _assumed(a)), *_listed("Noted", a.notes), *_listed("Cautions", _cautions(a)),
        *_listed("Rule", [a.provenance.rule])))


def _behind(sheet: AssessmentSheet) -> Iterator[str]:
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
    yield f"Options, best first ({_SHOWN} of {len(a.options)}):"
    for option in a.options[:_SHOWN]:
        yield from wrapped(f"  {option.rank:>2}. ", _option(option), indent="      ")


def _option(option: Option) -> str:
    fitted = " (installed)" if option.installed else ""
    setting = "" if option.setting is None else f", {option.setting_name} {setting_words(option, option.setting)}"
    drain = "" if option.drain_days is None else f", steam boiler drained every {option.drain_days:g} days"
    return f"{option.name}{fitted}{setting}{drain}. {option.why}"


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
