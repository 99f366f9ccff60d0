"""How readings stand after review. A rejected one stays kept, but counts nowhere: not in lists, trends or verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Final, Literal, NamedTuple

from sqlalchemy import Connection, select

from stripread.records.kinds.evidence import Review
from stripread.records.schema import KINDS, LOG

Standing = Literal["unreviewed", "accepted", "rejected", "waiting", "disputed"]
#: What each means, for people.
STANDINGS: Final[dict[Standing, str]] = {
    "unreviewed": "not reviewed yet",
    "accepted": "accepted",
    "rejected": "rejected: it does not count",
    "waiting": "one person has decided; a second has to agree",
    "disputed": "two people have decided differently",
}
_REVIEWS = KINDS[Review]


class Word(NamedTuple):
    """Who decided what."""

    account: str
    decision: Literal["accepted", "rejected"]


def standing(words: Sequence[Word], *, two: bool) -> Standing:
    """The standing that decisions leave, the earliest first.

    Of several words by one person the latest holds. With ``two`` the two people who spoke last have to agree; else
    the last word holds.
    """
    held: dict[str, Word] = {}
    for word in words:
        held.pop(word.account, None)
        held[word.account] = word
    if not held:
        return "unreviewed"
    *earlier, last = held.values()
    if not two:
        return last.decision
    if not earlier:
        return "waiting"
    return last.decision if earlier[-1].decision == last.decision else "disputed"


def words_of(connection: Connection) -> dict[str, list[Word]]:
    """All decisions by reading, the earliest first: in the order of the log, whatever clocks said."""
    r = _REVIEWS.table.c
    said = _REVIEWS.table.join(LOG, (LOG.c.record == r.id) & (LOG.c.kind == _REVIEWS.name))
    rows = connection.execute(select(r.reading, r.account, r.decision).select_from(said)
                              .order_by(r.reading, LOG.c.seq))
    return {reading: [Word(row.account, row.decision) for row in group]
            for reading, group in groupby(rows, key=lambda row: row.reading)}


def standings(connection: Connection, *, two: bool) -> dict[str, Standing]:
    """The standing of every reading that somebody reviewed; all others are unreviewed."""
    return {reading: standing(words, two=two) for reading, words in words_of(connection).items()}


def rejected(connection: Connection, *, two: bool) -> frozenset[str]:
    """Ids of the readings that do not count."""
    return frozenset(id_ for id_, stands in standings(connection, two=two).items() if stands == "rejected")
