"""What reviewers decided, what they found at fault, and how well two of them agree on the same readings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import combinations

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.statistics.kappa import Kappa, cohens_kappa
from stripread.review.session import FAULTS
from stripread.store.models.evidence import Correction, Fault, Review
from stripread.store.review_status import Decision, Standing, decisions_of, review_status
from stripread.store.store import Store

_DECISIONS = ("accepted", "rejected")


class ReviewerAgreement(msgspec.Struct, frozen=True, kw_only=True):
    """Two accounts on the readings that both reviewed, by the first word of each: what was said before they spoke."""

    people: tuple[str, str]
    kappa: Kappa


class ReviewSummary(msgspec.Struct, frozen=True, kw_only=True):
    """Counts of reviews; ``standing`` counts readings, ``own`` reviews of what the reviewer took or read himself."""

    reviews: int
    decisions: dict[str, int]
    standing: dict[Standing, int]
    faults: dict[Fault, int]
    corrections: dict[str, int]
    own: int
    agreement: tuple[ReviewerAgreement, ...]


def summary(store: Store, since: datetime | None = None) -> ReviewSummary:
    """All reviews, or those since a moment; how readings stand and how people agree follows from all."""
    reviews = [r for r in store.find(Review) if since is None or r.at >= since]
    corrections = [c for c in store.find(Correction) if since is None or c.at >= since]
    with store.viewing() as connection:
        words = decisions_of(connection)
    return ReviewSummary(
        reviews=len(reviews), decisions=dict(Counter(r.decision for r in reviews)),
        standing=dict(Counter(review_status(said, store.review) for said in words.values())),
        faults=_in_order(Counter(r.fault for r in reviews if r.fault)),
        corrections=dict(Counter(c.analyte for c in corrections)),
        own=sum(r.own for r in reviews) + sum(c.own for c in corrections), agreement=tuple(_agreement(words.values())))


def _in_order(found: Counter[Fault]) -> dict[Fault, int]:
    return {fault: found[fault] for fault in FAULTS if fault in found}


def _agreement(readings: Iterable[Sequence[Decision]]) -> Iterator[ReviewerAgreement]:
    tables: dict[tuple[str, str], NDArray[np.int64]] = {}
    for words in readings:
        # Turned round, so that the first word of each is the one that stays.
        first = {word.account: _DECISIONS.index(word.decision) for word in reversed(words)}
        for one, other in combinations(sorted(first), 2):
            table = tables.setdefault((one, other), np.zeros((2, 2), dtype=np.int64))
            table[first[one], first[other]] += 1
    for people in sorted(tables):
        yield ReviewerAgreement(people=people, kappa=cohens_kappa(tables[people]))
