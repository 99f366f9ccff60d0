"""How much a store contains."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select

from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.schema import AUDIT_TRAIL, RECORD_TYPES
from stripread.store.store import Store


@dataclass(frozen=True, slots=True)
class StoreContents:
    """Numbers of records; ``purged``: photographs whose file was purged; ``entries``: of the audit trail."""

    readings: int
    photographs: int
    purged: int
    entries: int


def count_contents(store: Store) -> StoreContents:
    """Return the numbers of one snapshot, by one statement."""
    photographs, readings = (RECORD_TYPES[kind].table for kind in (Photograph, StoredReading))
    with store.viewing() as connection:
        row = connection.execute(select(*(query.scalar_subquery() for query in (
            select(func.count()).select_from(readings),
            select(func.count()).select_from(photographs),
            select(func.count()).select_from(photographs).where(photographs.c.removed.is_not(None)),
            select(func.coalesce(func.max(AUDIT_TRAIL.c.seq), 0)))))).one()
    return StoreContents(*map(int, row))
