"""Criteria of stored assessments, for lists: only this part of each record is decoded."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec
from sqlalchemy import select

from assess.judgement import Judgement
from stripread.store.models.evidence import StoredAssessment
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode_part
from stripread.store.store import Store

_ASSESSMENTS = RECORD_TYPES[StoredAssessment].table


class _Assessment(msgspec.Struct):
    judgements: tuple[Judgement, ...]


class _Assessed(msgspec.Struct):
    assessment: _Assessment


def judgements_of(store: Store, readings: Iterable[str]) -> dict[str, tuple[Judgement, ...]]:
    """Return the criteria of the current assessment by reading; none for readings without one."""
    c = READING_INDEX.c
    query = (select(c.reading, BODIES.c.body).join(_ASSESSMENTS, _ASSESSMENTS.c.id == c.assessment)
             .join(BODIES, BODIES.c.sha256 == _ASSESSMENTS.c.sha256).where(c.reading.in_(list(readings))))
    with store.viewing() as connection:
        return {row.reading: decode_part(StoredAssessment, row.body, _Assessed).assessment.judgements
                for row in connection.execute(query)}
