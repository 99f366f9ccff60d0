"""Re-evaluated readings and their summary as text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from assess.decision import VERDICT_NAMES
from shared.analytes import ANALYTES
from stripread.review.reanalysis.comparison import (
    Outcome,
    ReadingComparison,
    ReanalysisSummary,
    ValueChange,
    VerdictChange,
)
from stripread.store.lookup import short_id

_WORDS: Final[dict[Outcome, str]] = {
    "differs": "different", "prints the same": "different only in digits that are not printed", "same": "the same",
    "not read again": "not evaluated", "passed over": "skipped"}


def change_lines(one: ReadingComparison) -> Iterator[str]:
    """Yield the changes of a reading that differs or could not be evaluated; nothing for the others."""
    if one.outcome not in ("differs", "not read again"):
        return
    changes = [*map(_shift, one.shifts), *(f"no longer {f}" for f in one.flags_gone),
               *(f"now {f}" for f in one.flags_new), *map(_flip, one.flips)]
    yield f"{short_id(one.id)}  {one.photo}: {one.why or 'different'}"
    yield from (f"    {line}" for line in changes)
    if one.new:
        yield f"    superseded by {short_id(one.new)}"


def _shift(shift: ValueChange) -> str:
    share = "" if shift.share is None else f", {shift.share:.2g} of the interval"
    return f"{ANALYTES[shift.analyte].name}: {shift.was} -> {shift.now}{share}"


def _flip(flip: VerdictChange) -> str:
    was, now = (VERDICT_NAMES[v] if v else "not assessed" for v in (flip.was, flip.now))
    return f"{flip.severity}: {was} -> {now}"


def summary_lines(summary: ReanalysisSummary, *, kept: bool) -> Iterator[str]:
    """Yield how many readings differ, by how much, and why."""
    counts = ", ".join(f"{summary.outcomes[o]} {words}" for o, words in _WORDS.items() if summary.outcomes.get(o))
    yield f"{summary.readings} {'reading' if summary.readings == 1 else 'readings'}: {counts or 'no matching reading'}"
    for reason, number in summary.passed_over.items():
        yield f"  {reason}: {number}"
    for moved in summary.moved:
        yield (f"  {ANALYTES[moved.analyte].name}: {moved.readings} changed, by {moved.median:.2g} of the "
               f"interval (median; largest {moved.largest:.2g})")
    for number, words in ((summary.gained, "values gained"), (summary.lost, "values lost")):
        if number:
            yield f"  {number} {words}"
    for verdict, number in summary.flips.items():
        yield f"  verdict {verdict} in {number}"
    for cause, number in summary.causes.items():
        yield f"  changed {cause}: {number}"
    yield (f"{summary.superseded} superseded; the earlier readings are retained" if kept else
           "no records changed")
