"""Review status of readings. Rejected readings are retained but excluded from lists, trends and verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Final, Literal, NamedTuple

from sqlalchemy import Connection, select

from stripread.store.models.evidence import Review, ReviewDecision
from stripread.store.schema import AUDIT_TRAIL, RECORD_TYPES
from stripread.store.settings import ReviewPolicy

Standing = Literal["unreviewed", "accepted", "rejected", "waiting", "disputed"]
#: Meaning of each status, for users.
STANDINGS: Final[dict[Standing, str]] = {
    "unreviewed": "not reviewed yet",
    "accepted": "accepted",
    "rejected": "rejected: excluded from all results",
    "waiting": "one reviewer has decided; a second decision is needed",
    "disputed": "two reviewers have decided differently",
}
_REVIEWS = RECORD_TYPES[Review]


class Decision(NamedTuple):
    """Decision of an account on a reading."""

    account: str
    decision: ReviewDecision


def review_status(decisions: Sequence[Decision], policy: ReviewPolicy) -> Standing:
    """Return the review status that follows from decisions, oldest first.

    Only the latest decision of each reviewer counts, unless it is withdrawn. If the policy requires two reviewers, the
    last two must agree; otherwise the last decision applies.
    """
    latest: dict[str, Decision] = {}
    for decision in decisions:
        latest.pop(decision.account, None)
        latest[decision.account] = decision
    found = [d.decision for d in latest.values() if d.decision != "withdrawn"]
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
    query = select(r.reading, r.account, r.decision).select_from(in_order).order_by(r.reading, AUDIT_TRAIL.c.seq)
    rows = connection.execute(query if reading is None else query.where(r.reading == reading))
    return {id_: [Decision(row.account, row.decision) for row in group]
            for id_, group in groupby(rows, key=lambda row: row.reading)}
