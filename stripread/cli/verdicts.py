"""An assessment as text for a person: verdict first, a short table, the next step, the cautions."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from assess.assessment import Assessment
from assess.judgement import Judgement
from assess.limits import Severity
from shared.text import decimals_of, rounded

_WIDTH = 100
_WORDS = {"in": "in", "out": "OUT", "undecided": "undecided"}
_ABOUT: dict[Severity, str] = {"machine": "the machine's limits", "scale": "scale", "cup": "the cup",
                               "leaching": "leaching and corrosion", "information": "information"}


def as_text(a: Assessment) -> str:
    """The whole assessment."""
    return "\n".join((*_head(a), "", *_table(a), *_told("Why", _reasons(a)), *_told("To ask", a.questions),
                      *_told("Scale, at most", _scale(a)), *_told("Assumed", (x.why for x in a.assumptions)),
                      *_told("Noted", a.notes), *_told("Mind", a.cautions), "", f"Rule: {a.provenance.rule}"))


def _head(a: Assessment) -> Iterator[str]:
    yield f"{a.sample} for {a.equipment.name} (limits: {a.provenance.limits})"
    for verdict, words in (("out", "Out of limits for"), ("undecided", "Undecided for"), ("in", "Fine for")):
        found = [_ABOUT[s] for s, v in a.verdicts.items() if v == verdict]
        if found:
            yield f"  {words}: {', '.join(found)}."


def _table(a: Assessment) -> Iterator[str]:
    yield f"  {'':10} {'criterion':44} {'value':>8} {'95 % interval':>18}  {'limit':>15} {'holds':>7}"
    for j in a.judgements:
        low, high = (number(x, j) for x in (j.low, j.high))
        place = f", {j.place}" if j.place else ""
        yield (f"  {_WORDS[j.verdict]:10} {f'{j.name}{place} [{j.limit.unit}]':44} {number(j.value, j):>8} "
               f"{f'{low} to {high}':>18}  {limit_words(j):>15} {probability(j.probability):>7}")


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
        if j.verdict == "in" or j.severity == "information":
            continue
        place = f" in the {j.place}" if j.place else ""
        yield f"{j.name}{place}: {j.reason} {j.decides}".strip()


def _scale(a: Assessment) -> Iterator[str]:
    for b in a.boilers:
        thick = "" if b.scale_mm_per_year is None else f", {b.scale_mm_per_year.value:.2g} mm a year if never removed"
        yield (f"{b.boiler} ({b.temperature_c:g} °C): {b.scale_g_per_week.value:.2g} g a week "
               f"({b.scale_g_per_week.low:.2g} to {b.scale_g_per_week.high:.2g}){thick}")


def _told(title: str, sentences: Iterable[str]) -> Iterator[str]:
    """A title and its sentences as a wrapped list; nothing where there is nothing to tell."""
    listed = list(sentences)
    if listed:
        yield ""
        yield f"{title}:"
    for sentence in listed:
        yield from textwrap.wrap(sentence, _WIDTH, initial_indent="  - ", subsequent_indent="    ")
