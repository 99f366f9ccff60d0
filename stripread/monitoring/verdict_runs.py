"""How long sampling points have had their present verdict: the runs of equal verdicts of their valid results."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from itertools import takewhile
from typing import Final

from sqlalchemy import func, select

from assess.decision import Verdict
from stripread.monitoring.valid_readings import among, is_valid_sql
from stripread.store.lookup import batches
from stripread.store.models.evidence import SampleAssessment
from stripread.store.models.sites import SamplingPoint
from stripread.store.schema import READING_INDEX, RECORD_TYPES
from stripread.store.store import Store

_SAMPLES: Final = RECORD_TYPES[SampleAssessment].table
_POINTS: Final = RECORD_TYPES[SamplingPoint].table


def out_since(store: Store, verdicts: Mapping[str, Verdict]) -> dict[str, date]:
    """Return by point the day of the first valid result of the unbroken run with its present verdict.

    Results are readings of strips and laboratory or typed samples.
    """
    sampled = _sample_verdicts(store, verdicts)
    days: dict[str, date] = {}
    for verdict in set(verdicts.values()):
        points = [p for p, v in verdicts.items() if v == verdict and p not in sampled]
        days |= _runs(store, points, verdict)
    read = _reading_verdicts(store, list(sampled))
    for point, there in sampled.items():
        rows = sorted([*there, *read.get(point, ())])
        run = list(takewhile(lambda row, wanted=verdicts[point]: row[1] == wanted, reversed(rows)))  # type: ignore[misc]
        if run:
            days[point] = datetime.fromisoformat(run[-1][0]).date()
    return days


def _runs(store: Store, points: Sequence[str], verdict: Verdict) -> dict[str, date]:
    """Return the day of the first reading after the last one with another verdict, by point."""
    other, run = READING_INDEX.alias("other").c, READING_INDEX.alias("run").c
    last = (select(other.sampled).where(other.point == _POINTS.c.id, other.verdict != verdict,
                                        *is_valid_sql(store.review, other))
            .order_by(other.sampled.desc()).limit(1).correlate(_POINTS).scalar_subquery())
    first = (select(run.sampled).where(run.point == _POINTS.c.id, run.verdict == verdict,
                                       *is_valid_sql(store.review, run), run.sampled > func.coalesce(last, ""))
             .order_by(run.sampled).limit(1).correlate(_POINTS).scalar_subquery())
    query = select(_POINTS.c.id, first.label("first"))
    with store.viewing() as connection:
        return {row.id: datetime.fromisoformat(row.first).date() for some in batches(points)
                for row in connection.execute(query.where(_POINTS.c.id.in_(some))) if row.first}


def _sample_verdicts(store: Store, points: Iterable[str]) -> dict[str, list[tuple[str, Verdict]]]:
    """Return time and current verdict of every laboratory or typed sample, by point that has one."""
    s, wanted = _SAMPLES.c, set(points)
    verdicts: dict[str, dict[str, Verdict]] = {}
    with store.viewing() as connection:
        for row in connection.execute(select(s.point, s.taken, s.verdict).where(among(s.point, wanted))
                                      .order_by(s.at, s.id)):
            if row.point in wanted:
                verdicts.setdefault(row.point, {})[row.taken] = row.verdict
    return {point: list(there.items()) for point, there in verdicts.items()}


def _reading_verdicts(store: Store, points: Sequence[str]) -> dict[str, list[tuple[str, Verdict]]]:
    """Return time and verdict of every valid assessed reading, by point."""
    c = READING_INDEX.c
    query = select(c.point, c.sampled, c.verdict).where(c.verdict.is_not(None), *is_valid_sql(store.review))
    verdicts: dict[str, list[tuple[str, Verdict]]] = {}
    with store.viewing() as connection:
        for row in (row for some in batches(points) for row in connection.execute(query.where(c.point.in_(some)))):
            verdicts.setdefault(row.point, []).append((row.sampled, row.verdict))
    return verdicts
