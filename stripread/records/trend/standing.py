"""The readings that count, of one sampling point or of all: none superseded, refused or rejected."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Select, and_, func, select

from stripread.records.kinds.brief import Brief, brief_of, read_brief
from stripread.records.kinds.evidence import Correction, Photograph, StoredReading
from stripread.records.kinds.record import stamp
from stripread.records.schema import BODIES, KINDS, LISTED, decode
from stripread.records.store import Store

_READINGS, _PHOTOGRAPHS, _CORRECTIONS = (KINDS[kind].table for kind in (StoredReading, Photograph, Correction))


class Counted(NamedTuple):
    """A reading that counts; ``at``: when the strip was dipped, else photographed, else received."""

    id: str
    photograph: str
    point: str
    at: datetime
    chart: str
    batch: str
    dipped: str | None
    brief: str

    @property
    def values(self) -> tuple[Brief, ...]:
        """What was read."""
        return read_brief(self.brief)


def counted(store: Store, *, points: Sequence[str] | None = None, since: datetime | None = None,
            two: bool = False) -> list[Counted]:
    """The readings that count in order of time, of these points or of all, sampled since then or ever.

    ``two``: it takes two reviewers to reject one.
    """
    conditions: list[ColumnElement[bool]] = []
    if points is not None:
        conditions.append(LISTED.c.point.in_(points))
    if since is not None:
        conditions.append(LISTED.c.sampled >= stamp(since))
    with store.viewing() as connection:
        rows = connection.execute(_query().where(*conditions, ~_rejected(two=two))).all()
    latest = {row.photograph: row for row in rows}
    return sorted((_counted(row) for row in latest.values()), key=lambda c: (c.at, c.id))


def corrections(store: Store) -> dict[tuple[str, str], Brief]:
    """Reviewers' values, by reading and analyte; of several the latest."""
    table = _CORRECTIONS
    query = select(table.c.reading, BODIES.c.body).join(BODIES, table.c.sha256 == BODIES.c.sha256)
    with store.viewing() as connection:
        rows = connection.execute(query.order_by(table.c.at, table.c.id)).all()
    return {(row.reading, c.analyte): b for row in rows
            for c in (decode(Correction, row.body),) if (b := brief_of(c.estimate)) is not None}


def _rejected(*, two: bool) -> ColumnElement[bool]:
    """The same as `review.standing.standing`, by the database."""
    words = (LISTED.c.word, LISTED.c.other_word) if two else (LISTED.c.word,)
    return and_(*(func.coalesce(word, "") == "rejected" for word in words))


def _query() -> Select[Any]:
    """Oldest first, so that of two readings of a photograph that both stand the later one is taken."""
    c, r, p = LISTED.c, _READINGS.c, _PHOTOGRAPHS.c
    joined = LISTED.join(_READINGS, c.reading == r.id).join(_PHOTOGRAPHS, c.photograph == p.id)
    columns = (r.id, c.photograph, c.point, c.sampled, p.dipped, p.taken, r.chart, c.batch, r.brief)
    return (select(*columns).select_from(joined).order_by(c.at, c.reading)
            .where(c.status == "read", c.superseded_by.is_(None), c.point.is_not(None)))


def _counted(row: Any) -> Counted:
    return Counted(id=row.id, photograph=row.photograph, point=row.point, at=_moment(row), chart=row.chart,
                   batch=row.batch, dipped=row.dipped, brief=row.brief)


def _moment(row: Any) -> datetime:
    """Cameras often write local time without a zone: taken as UTC, hours do not matter over weeks."""
    return next(_parsed(text for text in (row.dipped, row.taken, row.sampled) if text))


def _parsed(texts: Iterator[str]) -> Iterator[datetime]:
    for text in texts:
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            continue
        yield moment if moment.tzinfo else moment.replace(tzinfo=UTC)
