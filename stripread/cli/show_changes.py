"""Changed assessments as text: their number, then those with another verdict, then the others."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from assess.decision import VERDICT_NAMES
from shared.text import many
from stripread.intake.reassess import AssessmentChange

#: Changes listed; the others are counted.
_LISTED: Final = 30


def change_lines(found: Sequence[AssessmentChange]) -> Iterator[str]:
    """Yield the changed assessments; nothing if there are none."""
    if not found:
        return
    other = sum(change.changes_verdict for change in found)
    yield (f"{many(len(found), 'sample')} assessed, {many(other, 'verdict')} changed; earlier assessments are "
           "retained")
    yield from map(_line, found[:_LISTED])
    if len(found) > _LISTED:
        yield f"  and {len(found) - _LISTED} more; --json lists all"


def _line(change: AssessmentChange) -> str:
    before = "not assessed" if change.before is None else VERDICT_NAMES[change.before]
    where = ", ".join(filter(None, (change.site_name, change.point_name))) or "no sampling point"
    verdict = f"{before} -> {VERDICT_NAMES[change.after]}" if change.changes_verdict else f"{before}, as before"
    return f"  {where}, {change.on}: {verdict}"
