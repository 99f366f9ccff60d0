"""How readings stand after review. A rejected one stays kept, but counts nowhere: not in lists, trends or verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Final, Literal, NamedTuple

from sqlalchemy import Connection, select

from stripread.store.models.evidence import Review
from stripread.store.schema import LOG, RECORD_TYPES
from stripread.store.settings import ReviewPolicy

Standing = Literal["unreviewed", "accepted", "rejected", "waiting", "disputed"]
#: What each means, for people.
STANDINGS: Final[dict[Standing, str]] = {
    "unreviewed": "not reviewed yet",
    "accepted": "accepted",
    "rejected": "rejected: it does not count",
    "waiting": "one person has decided; a second has to agree",
    "disputed": "two people have decided differently",
}
_REVIEWS = RECORD_TYPES[Review]


class Decision(NamedTuple):
    """Who decided what."""

    account: str
    decision: Literal["accepted", "rejected"]


def review_status(words: Sequence[Decision], policy: ReviewPolicy) -> Standing:
    """The standing that decisions leave, the earliest first.

    Of several words by one person the latest holds. Where the policy asks for two reviewers, the two
    who decided last have to agree; else the last decision counts.
    """
    held: dict[str, Decision] = {}
    for word in words:
        held.pop(word.account, None)
        held[word.account] = word
    if not held:
        return "unreviewed"
    *earlier, last = held.values()
    if not policy.two_reviewers:
        return last.decision
    if not earlier:
        return "waiting"
    return last.decision if earlier[-1].decision == last.decision else "disputed"


def decisions_of(connection: Connection, reading: str | None = None) -> dict[str, list[Decision]]:
    """All decisions by reading, or those on one, the earliest first: as in the log, whatever clocks said."""
    r = _REVIEWS.table.c
    said = _REVIEWS.table.join(LOG, (LOG.c.record == r.id) & (LOG.c.kind == _REVIEWS.name))
    query = select(r.reading, r.account, r.decision).select_from(said).order_by(r.reading, LOG.c.seq)
    rows = connection.execute(query if reading is None else query.where(r.reading == reading))
    return {id_: [Decision(row.account, row.decision) for row in group]
            for id_, group in groupby(rows, key=lambda row: row.reading)}
