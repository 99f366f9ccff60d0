"""The queue: readings nobody has decided on yet, in the order in which they most need eyes, each with why.

First by the gravest doubt (`doubts.Doubt` has the order), then by how many there are, then the oldest. A reading about
which there is no doubt, and which the random share does not hold, is not in it; nor is one older than the policy says.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Final, get_args

import msgspec
from msgspec.structs import replace

from shared.flags import FLAGS
from stripread.review.reasons import MOST, Doubt, FoundReason, against_history, histories, randomly_selected
from stripread.store.reading_query import ReadingFilter, ReadingRow, readings
from stripread.store.review_status import STANDINGS
from stripread.store.schema import LISTED
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store

#: A value beyond the range is a plain result, nothing to look at again.
_PLAIN_FLAGS: Final = frozenset({"below-range", "above-range"})
_ORDER: Final[tuple[Doubt, ...]] = get_args(Doubt)


class ReviewReason(msgspec.Struct, frozen=True):
    """One doubt, and what it is in words."""

    doubt: Doubt
    words: str


class QueueEntry(msgspec.Struct, frozen=True, kw_only=True):
    """A reading in the queue; site and point are None where the photograph names none."""

    reading: str
    sampled: str
    status: str
    photo: str
    site: str | None
    site_name: str | None
    point: str | None
    point_name: str | None
    why: tuple[ReviewReason, ...]


def queue(store: Store, *, site: str | None = None, group: str | None = None) -> list[QueueEntry]:
    """All that wait for review at a site or the sites of a group, or everywhere."""
    listed = _open(store, ReadingFilter(site=site, group=group))
    odd = _odd(store, listed, site=site, group=group)
    entries = [_entry(x, [*_own_doubts(x, store.review), *odd.get(x.id, ())]) for x in listed]
    return sorted((e for e in entries if e.why), key=_urgency)


def _open(store: Store, wanted: ReadingFilter) -> list[ReadingRow]:
    """Readings of late on which nothing is decided, and all on which one person or two have begun to."""
    since = store.clock() - timedelta(days=store.review.days)
    # One person's word is a decision, unless it takes two.
    begun = [x for stands in ("waiting", "disputed") if store.review.two_reviewers
             for x in readings(store, replace(wanted, reviewed=stands))]
    late = [x for x in readings(store, replace(wanted, since=since)) if x.reviewed == "unreviewed"]
    return [*begun, *late]


def _odd(
    store: Store, listed: Sequence[ReadingRow], *, site: str | None, group: str | None
) -> dict[str, list[FoundReason]]:
    """What is odd about readings for their sampling points; nothing, where a photograph names none."""
    of_late = Counter(x.point for x in listed if x.point is not None)
    if not of_late:
        return {}
    where = tuple(column == id_ for column, id_ in ((LISTED.c.site, site), (LISTED.c.group, group)) if id_ is not None)
    runs = histories(store, max(of_late.values()) + MOST, where=where).values()
    values = [value for run in runs for value in run]
    found: dict[str, list[FoundReason]] = defaultdict(list)
    for place, doubts in against_history([brief for _, brief in values], [len(run) for run in runs]).items():
        found[values[place][0]] += doubts
    return found


def _own_doubts(x: ReadingRow, policy: ReviewPolicy) -> Iterator[FoundReason]:
    if x.reviewed in ("waiting", "disputed"):
        yield FoundReason(x.reviewed, STANDINGS[x.reviewed])
    for flag in x.flags:
        if flag not in _PLAIN_FLAGS and x.status == "read":
            yield FoundReason("flags", FLAGS[flag].meaning)
    if x.verdict == "undecided":
        yield FoundReason("undecided", "a verdict is undecided")
    if x.status == "refused":
        yield FoundReason("refused", " ".join(("no value:", *(FLAGS[flag].meaning for flag in x.flags))))
    if randomly_selected(x.id, policy):
        yield FoundReason("drawn", f"drawn at random, {100 * policy.share:g} % of all")


def _entry(x: ReadingRow, found: list[FoundReason]) -> QueueEntry:
    found.sort(key=lambda f: _ORDER.index(f.doubt))
    return QueueEntry(
        reading=x.id,
        sampled=x.sampled,
        status=x.status,
        photo=x.photo,
        site=x.site,
        site_name=x.site_name,
        point=x.point,
        point_name=x.point_name,
        why=tuple(ReviewReason(*f) for f in found),
    )


def _urgency(entry: QueueEntry) -> tuple[int, int, str, str]:
    return _ORDER.index(entry.why[0].doubt), -len(entry.why), entry.sampled, entry.reading
