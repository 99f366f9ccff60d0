"""Statistics of reviews: decisions, faults, and agreement between reviewers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import combinations

import msgspec
import numpy as np
from numpy.typing import NDArray

from calibration.statistics.agreement import Kappa, cohens_kappa
from stripread.review.session import FAULTS
from stripread.store.models.evidence import Correction, Fault, Review
from stripread.store.reading_status import Decision, ReviewStatus, decisions_of, review_status
from stripread.store.store import Store

_DECISIONS = ("accepted", "rejected")


class ReviewerAgreement(msgspec.Struct, frozen=True, kw_only=True):
    """Agreement of two reviewers on the readings that both reviewed, from the first decision of each."""

    people: tuple[str, str]
    kappa: Kappa


class ReviewSummary(msgspec.Struct, frozen=True, kw_only=True):
    """Counts of reviews; ``review_status``: readings by it; ``own``: reviews of the reviewer's own readings."""

    reviews: int
    decisions: dict[str, int]
    review_status: dict[ReviewStatus, int]
    faults: dict[Fault, int]
    corrections: dict[str, int]
    own: int
    agreement: tuple[ReviewerAgreement, ...]


def summary(store: Store, since: datetime | None = None) -> ReviewSummary:
    """Return the statistics of all reviews, or of those since a time; status and agreement include all reviews."""
    reviews = [r for r in store.find(Review) if since is None or r.at >= since]
    corrections = [c for c in store.find(Correction) if since is None or c.at >= since]
    with store.viewing() as connection:
        decisions = decisions_of(connection)
    return ReviewSummary(
        reviews=len(reviews),
        decisions=dict(Counter(r.decision for r in reviews)),
        review_status=dict(Counter(review_status(of_reading, store.review) for of_reading in decisions.values())),
        faults=_in_order(Counter(r.fault for r in reviews if r.fault)),
        corrections=dict(Counter(c.analyte for c in corrections)),
        own=sum(r.own for r in reviews) + sum(c.own for c in corrections),
        agreement=tuple(_agreement(decisions.values())),
    )


def _in_order(found: Counter[Fault]) -> dict[Fault, int]:
    return {fault: found[fault] for fault in FAULTS if fault in found}


def _agreement(readings: Iterable[Sequence[Decision]]) -> Iterator[ReviewerAgreement]:
    tables: dict[tuple[str, str], NDArray[np.int64]] = {}
    for decisions in readings:
        # Reversed, so that the first decision of each reviewer remains.
        first = {d.account: _DECISIONS.index(d.decision) for d in reversed(decisions) if d.decision in _DECISIONS}
        for one, other in combinations(sorted(first), 2):
            table = tables.setdefault((one, other), np.zeros((2, 2), dtype=np.int64))
            table[first[one], first[other]] += 1
    for people in sorted(tables):
        yield ReviewerAgreement(people=people, kappa=cohens_kappa(tables[people]))
