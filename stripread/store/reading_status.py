"""The current reading of a photograph, the current assessment of a reading, and its review status.

Current readings are defined once, in `reading_index.rows`, and read here from the table that it fills, so that all
lists, pages, reports and commands agree. The table is updated in the transaction of each record, so a transaction sees
its changes. Rejected readings are retained but excluded from lists, trends and verdicts.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Final, Literal, NamedTuple

from sqlalchemy import Connection, or_, select

from stripread.store.models.evidence import Review, ReviewDecision, StoredAssessment, StoredReading
from stripread.store.schema import AUDIT_TRAIL, READING_INDEX, RECORD_TYPES
from stripread.store.settings import ReviewPolicy
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


ReviewStatus = Literal["unreviewed", "accepted", "rejected", "waiting", "disputed"]
#: Meaning of each status, for users.
REVIEW_STATUS_NAMES: Final[dict[ReviewStatus, str]] = {
    "unreviewed": "not reviewed yet",
    "accepted": "accepted",
    "rejected": "rejected or withdrawn: excluded from all results",
    "waiting": "one reviewer has decided; a second decision is needed",
    "disputed": "two reviewers have decided differently",
}
_REVIEWS = RECORD_TYPES[Review]


class Decision(NamedTuple):
    """Decision of an account on a reading; ``id``: that of its record."""

    account: str
    decision: ReviewDecision
    id: str = ""


def review_status(decisions: Sequence[Decision], policy: ReviewPolicy) -> ReviewStatus:
    """Return the review status that follows from decisions, oldest first.

    Only the latest decision of each reviewer counts, unless it is withdrawn. If the policy requires two reviewers, the
    last two must agree; otherwise the last decision applies. A reading that the account that took it has withdrawn is
    rejected, whatever reviewers decided.
    """
    latest: dict[str, Decision] = {}
    for decision in decisions:
        latest.pop(decision.account, None)
        latest[decision.account] = decision
    if any(d.decision == "reading-withdrawn" for d in latest.values()):
        return "rejected"
    found: list[ReviewStatus] = ["accepted" if d.decision == "accepted" else "rejected"
                                 for d in latest.values() if d.decision != "withdrawn"]
    if not found:
        return "unreviewed"
    *earlier, last = found
    if not policy.two_reviewers:
        return last
    if not earlier:
        return "waiting"
    return last if earlier[-1] == last else "disputed"


def decisions_of(connection: Connection, reading: str | None = None) -> dict[str, list[Decision]]:
    """Return decisions by reading, or on one reading, in the order of the audit trail: clocks may be wrong."""
    r = _REVIEWS.table.c
    in_order = _REVIEWS.table.join(AUDIT_TRAIL, (AUDIT_TRAIL.c.record == r.id) & (AUDIT_TRAIL.c.kind == _REVIEWS.name))
    query = select(r.reading, r.account, r.decision, r.id).select_from(in_order).order_by(r.reading, AUDIT_TRAIL.c.seq)
    rows = connection.execute(query if reading is None else query.where(r.reading == reading))
    return {id_: [Decision(row.account, row.decision, row.id) for row in group]
            for id_, group in groupby(rows, key=lambda row: row.reading)}
