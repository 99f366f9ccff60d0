"""The current reading of a photograph and the current assessment of a reading.

Both are defined once, in `reading_index.rows`, and read here from the table that it fills, so that all lists, pages,
reports and commands agree. The table is updated in the transaction of each record, so a transaction sees its changes.
"""

from __future__ import annotations

from sqlalchemy import Connection, or_, select

from stripread.store.models.evidence import StoredAssessment, StoredReading
from stripread.store.schema import READING_INDEX, RECORD_TYPES
from stripread.store.store import Store

_READINGS = RECORD_TYPES[StoredReading].table
_LATER = _READINGS.alias()


def superseding(connection: Connection, reading: str) -> str | None:
    """Return the id of the reading that supersedes this one; None for a current reading."""
    return connection.scalar(select(READING_INDEX.c.superseded_by).where(READING_INDEX.c.reading == reading))


def current_reading_id(connection: Connection, photograph: str) -> str | None:
    """Return the id of a photograph's current reading; None where it has no reading, or was taken again."""
    of_photograph = _READINGS.join(READING_INDEX, READING_INDEX.c.reading == _READINGS.c.id)
    return connection.scalar(select(_READINGS.c.id).select_from(of_photograph).where(
        _READINGS.c.photograph == photograph, READING_INDEX.c.superseded_by.is_(None)))


def last_reading_id(connection: Connection, photograph: str) -> str | None:
    """Return the id of a photograph's last reading, current or superseded by that of the photograph taken again."""
    of_photograph = _READINGS.join(READING_INDEX, READING_INDEX.c.reading == _READINGS.c.id).outerjoin(
        _LATER, _LATER.c.id == READING_INDEX.c.superseded_by)
    return connection.scalar(select(_READINGS.c.id).select_from(of_photograph).where(
        _READINGS.c.photograph == photograph, or_(_LATER.c.id.is_(None), _LATER.c.photograph != photograph)))


def last_reading(store: Store, photograph: str) -> StoredReading | None:
    """Return a photograph's last reading; None where it has none."""
    with store.viewing() as connection:
        id_ = last_reading_id(connection, photograph)
    return None if id_ is None else store.get(StoredReading, id_)


def current_assessment(store: Store, reading: str) -> StoredAssessment | None:
    """Return the current assessment of a reading; None where it has none."""
    with store.viewing() as connection:
        id_ = connection.scalar(select(READING_INDEX.c.assessment).where(READING_INDEX.c.reading == reading))
    return None if id_ is None else store.get(StoredAssessment, id_)
