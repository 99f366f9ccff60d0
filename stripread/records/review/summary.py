"""What reviewers decided, what they found at fault, and how well two of them agree on the same readings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import combinations

import msgspec
import numpy as np

from calibration.statistics.kappa import Kappa, cohens_kappa
from stripread.records.kinds.evidence import Correction, Fault, Review
from stripread.records.review.faults import FAULTS
from stripread.records.review.standing import Standing, standings
from stripread.records.settings import ReviewRules
from stripread.records.store import Store

_DECISIONS = ("accepted", "rejected")


class Agreement(msgspec.Struct, frozen=True, kw_only=True):
    """Two accounts on the readings that both reviewed, by the first word of each: what was said before they spoke."""

    people: tuple[str, str]
    kappa: Kappa


class Summary(msgspec.Struct, frozen=True, kw_only=True):
    """Counts of reviews; ``standing`` counts readings, ``own`` reviews of what the reviewer took or read himself."""

    reviews: int
    decisions: dict[str, int]
    standing: dict[Standing, int]
    faults: dict[Fault, int]
    corrections: dict[str, int]
    own: int
    agreement: tuple[Agreement, ...]


def summary(store: Store, rules: ReviewRules, since: datetime | None = None) -> Summary:
    """All reviews, or those since a moment; how readings stand follows from all."""
    reviews = [r for r in _by_time(store.find(Review)) if since is None or r.at >= since]
    corrections = [c for c in store.find(Correction) if since is None or c.at >= since]
    with store.viewing() as connection:
        standing = Counter(standings(connection, two=rules.two).values())
    return Summary(
        reviews=len(reviews), decisions=dict(Counter(r.decision for r in reviews)), standing=dict(standing),
        faults=_in_order(Counter(r.fault for r in reviews if r.fault)),
        corrections=dict(Counter(c.analyte for c in corrections)),
        own=sum(r.own for r in (*reviews, *corrections)), agreement=tuple(_agreement(reviews)))


def _by_time(reviews: Iterable[Review]) -> list[Review]:
    return sorted(reviews, key=lambda r: (r.at, r.id))


def _in_order(found: Counter[Fault]) -> dict[Fault, int]:
    return {fault: found[fault] for fault in FAULTS if fault in found}


def _agreement(reviews: Iterable[Review]) -> Iterator[Agreement]:
    first: dict[str, dict[str, int]] = {}
    for review in reviews:
        first.setdefault(review.reading, {}).setdefault(review.account, _DECISIONS.index(review.decision))
    tables: dict[tuple[str, str], np.ndarray[tuple[int, int], np.dtype[np.int64]]] = {}
    for words in first.values():
        for one, other in combinations(sorted(words), 2):
            table = tables.setdefault((one, other), np.zeros((2, 2), dtype=np.int64))
            table[words[one], words[other]] += 1
    for people in sorted(tables):
        yield Agreement(people=people, kappa=cohens_kappa(tables[people]))
