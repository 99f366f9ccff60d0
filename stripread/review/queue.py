"""The review queue: readings without a decision, by priority, each with the reasons for review.

Order: most severe reason (`reasons.ReasonKind`), then number of reasons, then oldest first. Not in the queue: readings
without a reason that are not in the random sample, and readings older than the review policy states.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Final, get_args

import msgspec
from msgspec.structs import replace

from shared.flags import FLAGS
from stripread.review.reasons import MOST, FoundReason, ReasonKind, against_history, histories, randomly_selected
from stripread.store.reading_query import ReadingFilter, ReadingRow, readings
from stripread.store.reading_status import STANDINGS
from stripread.store.schema import READING_INDEX
from stripread.store.settings import ReviewPolicy
from stripread.store.site_access import ALL_SITES, SiteAccess
from stripread.store.store import Store

#: A value beyond the range is a valid result and needs no review.
_PLAIN_FLAGS: Final = frozenset({"below-range", "above-range"})
_ORDER: Final[tuple[ReasonKind, ...]] = get_args(ReasonKind)


class ReviewReason(msgspec.Struct, frozen=True):
    """A reason for review, and its description."""

    kind: ReasonKind
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


def queue(store: Store, *, site: str | None = None, group: str | None = None, access: SiteAccess = ALL_SITES
          ) -> list[QueueEntry]:
    """Return the readings that wait for review, of a site, of the sites of a group, or of all that are visible."""
    listed = _open(store, ReadingFilter(site=site, group=group, access=access))
    from_history = _from_history(store, listed, site=site, group=group)
    entries = [_entry(x, [*_from_reading(x, store.review), *from_history.get(x.id, ())]) for x in listed]
    return sorted((e for e in entries if e.why), key=_urgency)


def _open(store: Store, query_filter: ReadingFilter) -> list[ReadingRow]:
    """Return recent readings without a decision, and all readings with an incomplete decision."""
    since = store.clock() - timedelta(days=store.review.days)
    # A decision is incomplete only if the policy requires two reviewers.
    begun = [x for status in ("waiting", "disputed") if store.review.two_reviewers
             for x in readings(store, replace(query_filter, reviewed=status))]
    recent = [x for x in readings(store, replace(query_filter, since=since)) if x.reviewed == "unreviewed"]
    return [*begun, *recent]


def _from_history(
    store: Store, listed: Sequence[ReadingRow], *, site: str | None, group: str | None
) -> dict[str, list[FoundReason]]:
    """Return the reasons from the history of each sampling point, by reading; none without a sampling point."""
    of_late = Counter(x.point for x in listed if x.point is not None)
    if not of_late:
        return {}
    where = tuple(
        column == id_
        for column, id_ in ((READING_INDEX.c.site, site), (READING_INDEX.c.group, group))
        if id_ is not None
    )
    runs = histories(store, max(of_late.values()) + MOST, where=where).values()
    values = [value for run in runs for value in run]
    found: dict[str, list[FoundReason]] = defaultdict(list)
    for place, reasons in against_history([brief for _, brief in values], [len(run) for run in runs]).items():
        found[values[place][0]] += reasons
    return found


def _from_reading(x: ReadingRow, policy: ReviewPolicy) -> Iterator[FoundReason]:
    if x.reviewed in ("waiting", "disputed"):
        yield FoundReason(x.reviewed, STANDINGS[x.reviewed])
    for flag in x.flags:
        if flag not in _PLAIN_FLAGS and x.status == "measured":
            yield FoundReason("flags", FLAGS[flag].meaning)
    if x.verdict == "undecided":
        yield FoundReason("undecided", "a verdict is inconclusive")
    if x.status == "no-result":
        yield FoundReason("refused", " ".join(("no result:", *(FLAGS[flag].meaning for flag in x.flags))))
    if randomly_selected(x.id, policy):
        yield FoundReason("drawn", f"random sample, {100 * policy.share:g} % of all readings")


def _entry(x: ReadingRow, found: list[FoundReason]) -> QueueEntry:
    found.sort(key=lambda f: _ORDER.index(f.kind))
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
    return _ORDER.index(entry.why[0].kind), -len(entry.why), entry.sampled, entry.reading
