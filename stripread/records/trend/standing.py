"""The readings that count, of one sampling point or of all: none superseded, refused or rejected."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Select, select

from stripread.records.kinds.brief import Brief, brief_of, read_brief
from stripread.records.kinds.evidence import Correction, Photograph, StoredReading
from stripread.records.kinds.record import stamp
from stripread.records.review.standing import rejected
from stripread.records.schema import BODIES, KINDS, decode
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
    """The readings that count in order of time, of these points or of all, received since then or ever.

    ``two``: it takes two reviewers to reject one.
    """
    conditions: list[ColumnElement[bool]] = []
    if points is not None:
        conditions.append(_PHOTOGRAPHS.c.point.in_(points))
    if since is not None:
        conditions.append(_PHOTOGRAPHS.c.received >= stamp(since))
    with store.viewing() as connection:
        out = rejected(connection, two=two)
        rows = connection.execute(_query().where(*conditions)).all()
    latest = {row.photograph: row for row in rows if row.id not in out}
    return sorted((_counted(row) for row in latest.values()), key=lambda c: (c.at, c.id))


def corrections(store: Store, readings: Sequence[str]) -> dict[tuple[str, str], Brief]:
    """A reviewer's value where there is one, by reading and analyte; of several the latest."""
    table, wanted = _CORRECTIONS, set(readings)
    query = select(table.c.reading, BODIES.c.body).join(BODIES, table.c.sha256 == BODIES.c.sha256)
    with store.viewing() as connection:
        rows = connection.execute(query.order_by(table.c.at, table.c.id)).all()
    return {(row.reading, c.analyte): b for row in rows if row.reading in wanted
            for c in (decode(Correction, row.body),) if (b := brief_of(c.estimate)) is not None}


def _query() -> Select[Any]:
    """Oldest first, so that of two readings of a photograph that both stand the later one is taken."""
    r, p, later = _READINGS.c, _PHOTOGRAPHS.c, _READINGS.alias("later")
    columns = (r.id, r.photograph, p.point, p.dipped, p.taken, p.received, r.chart, p.batch, r.brief)
    return (select(*columns).select_from(_READINGS.join(_PHOTOGRAPHS, r.photograph == p.id))
            .where(r.status == "read", p.point.is_not(None),
                   ~select(later.c.id).where(later.c.supersedes == r.id).exists())
            .order_by(r.at, r.id))


def _counted(row: Any) -> Counted:
    return Counted(id=row.id, photograph=row.photograph, point=row.point, at=_moment(row), chart=row.chart,
                   batch=row.batch or "", dipped=row.dipped, brief=row.brief)


def _moment(row: Any) -> datetime:
    """Cameras often write local time without a zone: taken as UTC, hours do not matter over weeks."""
    return next(_parsed(text for text in (row.dipped, row.taken, row.received) if text))


def _parsed(texts: Iterator[str]) -> Iterator[datetime]:
    for text in texts:
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            continue
        yield moment if moment.tzinfo else moment.replace(tzinfo=UTC)
