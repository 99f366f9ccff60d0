"""An assessment as text for a person: verdict first, the next step, a short table, options, cautions."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from assess.assessment import Assessment
from assess.judgement import Judgement
from assess.options import WORDS, Option
from assess.plan import setting_words
from shared.text import decimals_of, rounded

_WIDTH = 100
_WORDS = {"in": "in", "out": "OUT", "undecided": "undecided"}
#: Options shown; the report and --json have all.
_SHOWN = 5


def as_text(a: Assessment) -> str:
    """The whole assessment."""
    return "\n".join((
        *_head(a), *_told("To ask first", a.questions), *_told("Next", _next(a)), "", *_table(a),
        *_told("Why", _reasons(a)), *_told("Scale, at most", _scale(a)), *_options(a), *_told("Assumed", _assumed(a)),
        *_told("Noted", a.notes), *_told("Mind", _cautions(a)), *_told("Rule", [a.provenance.rule])))


def _head(a: Assessment) -> Iterator[str]:
    yield f"{a.sample}, for {a.equipment.name} (limits: {a.provenance.limits})"
    yield from (f"  {line}" for line in headlines(a))


def headlines(a: Assessment) -> Iterator[str]:
    """The verdicts, the worst first: what is out of limits, what is undecided, what is fine."""
    for verdict, words in (("out", "Out of limits"), ("undecided", "Undecided"), ("in", "Fine")):
        found = [WORDS[s] for s, v in a.verdicts.items() if v == verdict]
        if found:
            yield f"{words}: {', '.join(found)}."


def _next(a: Assessment) -> Iterator[str]:
    if a.follow_up is not None:
        yield a.follow_up.sentence
    yield a.plan.next_step
    yield from a.plan.first
    if a.plan.change_in_days is not None:
        litres = "" if a.plan.change_in_litres is None else f" ({a.plan.change_in_litres:.0f} L)"
        due = "" if a.plan.change_on is None else f", that is {a.plan.change_on:%d %B %Y}"
        cost = "" if a.plan.yearly_cost is None else f"; about {a.plan.yearly_cost:.0f} {a.plan.currency or ''} a year"
        yield f"Change the unit after about {a.plan.change_in_days:.0f} days{litres}{due}{cost}."
    yield f"Test again in {a.plan.test_in_days} days, and after any work on machine, unit or mains."


def _table(a: Assessment) -> Iterator[str]:
    rows = [("", "criterion", "value", "95 % interval", "limit", "holds"), *map(_row, a.judgements)]
    widths = [max(len(row[i]) for row in rows) for i in range(6)]
    for row in rows:
        cells = (text.ljust(w) if i < 2 else text.rjust(w)
                 for i, (text, w) in enumerate(zip(row, widths, strict=True)))
        yield "  " + "  ".join(cells).rstrip()


def _row(j: Judgement) -> tuple[str, ...]:
    place = f", {j.place}" if j.place else ""
    unit = "" if j.limit.unit == "pH" else f" [{j.limit.unit}]"
    word = "not read" if j.not_measured else _WORDS[j.verdict]
    return (word, f"{j.name}{place}{unit}", number(j.value, j), f"{number(j.low, j)} to {number(j.high, j)}",
            limit_words(j), probability(j.probability))


def limit_words(j: Judgement) -> str:
    """The permitted values, as "40 to 90"."""
    low, high = j.limit.at_least, j.limit.at_most
    if low is not None and high is not None:
        return f"{low:g} to {high:g}"
    return f"at least {low:g}" if low is not None else f"at most {high:g}"


def number(value: float, j: Judgement) -> str:
    """A number of a judgement, at the place its interval allows."""
    half = (j.high - j.low) / 2
    return rounded(value, decimals_of(half)) if 0 < half < float("inf") else f"{value:.3g}"


def probability(p: float) -> str:
    """A probability as a percentage that never claims to be sure."""
    return "<1 %" if p < 0.01 else ">99 %" if p > 0.99 else f"{100 * p:.0f} %"


def _reasons(a: Assessment) -> Iterator[str]:
    for j in a.judgements:
        if j.verdict != "in" and j.severity != "information" and not j.not_measured:
            yield f"{j.name}{f', {j.place}' if j.place else ''}: {j.reason}"


def _scale(a: Assessment) -> Iterator[str]:
    for b in a.boilers:
        thick = "" if b.scale_mm_per_year is None else f", {b.scale_mm_per_year.value:.2g} mm a year if never removed"
        yield (f"{b.boiler} ({b.temperature_c:g} °C): {b.scale_g_per_week.value:.2g} g a week "
               f"({b.scale_g_per_week.low:.2g} to {b.scale_g_per_week.high:.2g}){thick}")


def _options(a: Assessment) -> Iterator[str]:
    yield ""
    yield f"Options, best first ({_SHOWN} of {len(a.options)}):"
    for option in a.options[:_SHOWN]:
        yield from textwrap.wrap(_option(option), _WIDTH, initial_indent=f"  {option.rank:>2}. ",
                                 subsequent_indent="      ")


def _option(option: Option) -> str:
    fitted = " (fitted now)" if option.fitted else ""
    setting = "" if option.setting is None else f", {option.setting_name} {setting_words(option, option.setting)}"
    drain = "" if option.drain_days is None else f", steam boiler drained every {option.drain_days:g} days"
    return f"{option.name}{fitted}{setting}{drain}. {option.why}"


def _assumed(a: Assessment) -> Iterator[str]:
    return (x.why for x in a.assumptions)


def _cautions(a: Assessment) -> tuple[str, ...]:
    """Those for any machine, and those of what is recommended."""
    chosen = next((o.cautions for o in a.options if o.id == a.plan.option), ())
    return tuple(dict.fromkeys((*a.cautions, *chosen)))


def _told(title: str, sentences: Iterable[str]) -> Iterator[str]:
    """A title and its sentences as a wrapped list; nothing where there is nothing to tell."""
    listed = list(sentences)
    if listed:
        yield ""
        yield f"{title}:"
    for sentence in listed:
        yield from textwrap.wrap(sentence, _WIDTH, initial_indent="  - ", subsequent_indent="    ")
