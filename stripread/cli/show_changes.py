"""Changed assessments and the impact of a withdrawal as text: numbers first, then site by site."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from assess.decision import VERDICT_NAMES
from shared.text import many
from stripread.intake.reassess import AssessmentChange
from stripread.review.withdrawal_impact import AffectedReading, PointToRetest, WithdrawalImpact
from stripread.store.lookup import short_id

#: Changes listed; the others are counted.
_LISTED: Final = 30


def change_lines(changes: Sequence[AssessmentChange]) -> Iterator[str]:
    """Yield the changed assessments; nothing if there are none."""
    if not changes:
        return
    other = sum(change.changes_verdict for change in changes)
    yield (f"{many(len(changes), 'sample')} assessed, {many(other, 'verdict')} changed; earlier assessments are "
           "retained")
    yield from map(_line, changes[:_LISTED])
    if len(changes) > _LISTED:
        yield f"  and {len(changes) - _LISTED} more; --json lists all"


def _line(change: AssessmentChange) -> str:
    before = "not assessed" if change.before is None else VERDICT_NAMES[change.before]
    where = ", ".join(filter(None, (change.site_name, change.point_name))) or "no sampling point"
    verdict = f"{before} -> {VERDICT_NAMES[change.after]}" if change.changes_verdict else f"{before}, as before"
    return f"  {where}, {change.on}: {verdict}"


#: Readings and reports listed by id; the others are counted.
_LISTED_AT_SITE: Final = 20


def impact_lines(impact: WithdrawalImpact) -> Iterator[str]:
    """Yield counts, verdicts that would change, points to retest, reports to amend and affected readings."""
    yield (f"{impact.material} {short_id(impact.id)}: {many(len(impact.readings), 'affected reading')}, "
           f"{many(len(impact.changed), 'verdict')} would change, {many(len(impact.reports), 'report')} to amend, "
           f"{many(len(impact.retest), 'sampling point')} to retest")
    if impact.retest:
        yield "to retest:"
        yield from (f"  {point.site_name}, {point.name}: {_verdict(point)}" for point in impact.retest)
    yield from _listed("reports to amend", [f"{r.id}, issued {r.at[:10]}, reading {short_id(r.reading)}"
                                            for r in impact.reports])
    yield from _listed("affected readings", [_reading(r) for r in impact.readings])


def _reading(affected: AffectedReading) -> str:
    verdict = "not assessed" if affected.verdict is None else VERDICT_NAMES[affected.verdict]
    return (f"{short_id(affected.id)}, sampled {affected.sampled[:16].replace('T', ' ')}, "
            f"{affected.point or 'no sampling point'}, {verdict}")


def _verdict(point: PointToRetest) -> str:
    now = "not assessed" if point.verdict is None else VERDICT_NAMES[point.verdict]
    if point.why == "feed water affected":
        return f"{now}, compared with an affected feed water"
    without = "not assessed" if point.without is None else VERDICT_NAMES[point.without]
    return f"{now}; without the affected readings {without}" if point.changes else f"{now}, unchanged without them"


def _listed(title: str, lines: list[str]) -> Iterator[str]:
    if lines:
        yield f"{title}:"
        yield from (f"  {line}" for line in lines[:_LISTED_AT_SITE])
    if len(lines) > _LISTED_AT_SITE:
        yield f"  and {len(lines) - _LISTED} more; --json lists all"
