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


#: Readings and reports listed by id; the others are counted.
_LISTED_AT_SITE: Final = 20


def impact_lines(found: WithdrawalImpact) -> Iterator[str]:
    """Yield counts, verdicts that would change, points to retest, reports to amend and affected readings."""
    yield (f"{found.material} {short_id(found.id)}: {many(len(found.readings), 'affected reading')}, "
           f"{many(len(found.changed), 'verdict')} would change, {many(len(found.reports), 'report')} to amend, "
           f"{many(len(found.sites), 'site')} to retest")
    if found.retest:
        yield "to retest:"
        yield from (f"  {point.site_name}, {point.name}: {_verdict(point)}" for point in found.retest)
    yield from _listed("reports to amend", [f"{r.id}, issued {r.at[:10]}, reading {short_id(r.reading)}"
                                            for r in found.reports])
    yield from _listed("affected readings", [_reading(r) for r in found.readings])


def _reading(found: AffectedReading) -> str:
    verdict = "not assessed" if found.verdict is None else VERDICT_NAMES[found.verdict]
    return (f"{short_id(found.id)}, sampled {found.sampled[:16].replace('T', ' ')}, "
            f"{found.point or 'no sampling point'}, {verdict}")


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
