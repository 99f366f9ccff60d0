"""The review queue: readings without a decision, by priority, each with the reasons for review.

Order: most severe reason (`ReasonKind`), then number of reasons (the random sample does not count), then oldest first.
Not in the queue: readings without a reason that are not in the random sample, and readings older than the review policy
states. The store maintains the rows (`reading_rows`), so that a page takes the same time whatever waits: each priority
is a range of an index.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Any, Final, Literal, NamedTuple

import msgspec
from sqlalchemy import ColumnElement, Connection, and_, func, or_, select, tuple_

from shared.analytes import ANALYTES
from shared.flags import FLAGS
from shared.notation import significant
from shared.text import format_value
from stripread.store.models.record import stamp
from stripread.store.reading_query import ReadingRow, listed_readings, named_sql
from stripread.store.reading_status import REVIEW_STATUS_NAMES
from stripread.store.review_reasons import (
    KINDS,
    HistoryReason,
    ReasonKind,
    decode_reasons,
    drawn_lots,
    kind_bits,
    priorities,
    randomly_selected,
    reviewed_flags,
)
from stripread.store.schema import READING_INDEX, REVIEW_QUEUE
from stripread.store.settings import ReviewPolicy
from stripread.store.site_access import ALL_SITES, SiteAccess
from stripread.store.store import Store

_Q: Final = REVIEW_QUEUE.c
_I: Final = READING_INDEX.c


class QueueFilter(msgspec.Struct, frozen=True, kw_only=True):
    """Conditions on the queue, all of which must be met.

    ``reason``: one of the reasons. ``search``: as for lists of readings. ``access``: of the account that asks.
    """

    site: str | None = None
    group: str | None = None
    reason: ReasonKind | None = None
    search: str | None = None
    access: SiteAccess = ALL_SITES


_ALL: Final = QueueFilter()


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


class QueueView(NamedTuple):
    """The queue as seen from a reading: its place ``number`` of ``total``, 0 if it does not wait; then no ``entry``.

    ``before`` and ``behind``: its neighbours. ``following``: the reading that comes next, "" without any; the first one
    follows the last one.
    """

    number: int
    total: int
    entry: QueueEntry | None
    before: Sequence[QueueEntry]
    behind: Sequence[QueueEntry]
    following: str


class _Part(NamedTuple):
    """A part of the queue, in the order of these columns; the parts follow each other."""

    conditions: tuple[ColumnElement[bool], ...]
    order: tuple[ColumnElement[Any], ...]


def queue(store: Store, query_filter: QueueFilter = _ALL, limit: int | None = None, *, oldest_first: bool = False
          ) -> list[QueueEntry]:
    """Return the readings that wait for review; ``oldest_first``: in the order of time."""
    with store.viewing() as connection:
        rows = _rows(connection, _parts(store, connection, query_filter, oldest_first=oldest_first), limit)
    return _entries(store, rows)


def count_queue(store: Store, query_filter: QueueFilter = _ALL) -> int:
    """Return the number of readings that wait for review."""
    with store.viewing() as connection:
        return _count(connection, _parts(store, connection, query_filter))


def view_from(store: Store, query_filter: QueueFilter, reading: str, neighbours: int, *, oldest_first: bool = False
              ) -> QueueView:
    """Return the queue as seen from a reading, with its neighbours, at most ``neighbours`` on each side."""
    with store.viewing() as connection:
        parts = _parts(store, connection, query_filter, oldest_first=oldest_first)
        here = connection.execute(
            select(_Q.priority, _Q.sampled, _Q.reading).where(_Q.reading == reading)).first()
        in_front, behind = ([], parts) if here is None else (
            _on_side(parts, here, "before"), _on_side(parts, here, "behind"))
        own = _rows(connection, [_Part((*p.conditions, _Q.reading == reading), p.order) for p in parts], 1)
        before = _rows(connection, in_front[::-1], neighbours, backwards=True)[::-1]
        after = _rows(connection, behind, neighbours)
        following = after[:1] or [row for row in _rows(connection, parts, 1) if row.reading != reading]
        number, total = _count(connection, in_front) + 1 if own else 0, _count(connection, parts)
    entries = {e.reading: e for e in _entries(store, [*before, *own, *after])}
    return QueueView(number, total, entries.get(reading) if own else None, [entries[r.reading] for r in before],
                     [entries[r.reading] for r in after], next((row.reading for row in following), ""))


def _on_side(parts: Sequence[_Part], position: Any, side: Literal["before", "behind"]) -> list[_Part]:
    """Return what is before or behind a position, which has the columns of each order."""
    conditions = []
    for part in parts:
        columns, values = tuple_(*part.order), tuple_(*(getattr(position, column.name) for column in part.order))
        conditions.append(_Part((*part.conditions, columns < values if side == "before" else columns > values),
                                part.order))
    return conditions


def _parts(store: Store, connection: Connection, query_filter: QueueFilter, *, oldest_first: bool = False
           ) -> list[_Part]:
    """Return the parts of the queue: one for each priority that occurs, or one in the order of time."""
    places, narrowing = _places(query_filter), _narrowing(connection, query_filter, store.review)
    ranges = _open(store)
    if oldest_first:
        waits = or_(*(and_(_Q.priority >= of.start, _Q.priority < of.stop, *open_) for of, open_ in ranges))
        return [_Part((*places, waits, *narrowing), (_Q.sampled, _Q.reading))]
    return [_Part((*places, _Q.priority == number, *open_, *narrowing), (_Q.priority, _Q.sampled, _Q.reading))
            for number in _priorities(connection, places) for of, open_ in ranges if number in of]


def _open(store: Store) -> list[tuple[range, list[ColumnElement[bool]]]]:
    """Return the conditions under which a reading waits for review, by ranges of priorities.

    Without a decision: recent readings. A decision is incomplete only if the policy requires two reviewers.
    """
    policy = store.review
    recent = _Q.sampled >= stamp(store.clock() - timedelta(days=policy.days))
    begun, found, others = (priorities(*kinds) for kinds in (KINDS[:2], KINDS[2:-1], KINDS[-1:]))
    return [*([(begun, [])] if policy.two_reviewers else []), (found, [recent]),
            *([(others, [recent, _drawn(policy)])] if policy.share else [])]


def _drawn(policy: ReviewPolicy) -> ColumnElement[bool]:
    return _Q.lot.in_(sorted(drawn_lots(policy.seed, policy.share)))


def _places(query_filter: QueueFilter) -> list[ColumnElement[bool]]:
    """Return the conditions for which there are indexes."""
    access = query_filter.access
    conditions = [column == value for column, value in ((_Q.site, query_filter.site), (_Q.group, query_filter.group))
                  if value is not None]
    if access.groups is None:
        return conditions
    own = select(_I.reading).where(_I.site.is_(None), access.reading_sql())
    return [*conditions, access.group_sql(_Q.group) | (_Q.site.is_(None) & _Q.reading.in_(own))]


def _narrowing(connection: Connection, query_filter: QueueFilter, policy: ReviewPolicy) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = []
    if query_filter.reason is not None:
        conditions.append(_drawn(policy) if query_filter.reason == "drawn" else
                          _Q.kinds.bitwise_and(kind_bits([query_filter.reason])) != 0)
    if query_filter.search:
        conditions.append(_Q.reading.in_(select(_I.reading).where(named_sql(connection, query_filter.search))))
    return conditions


def _priorities(connection: Connection, places: Sequence[ColumnElement[bool]]) -> Iterator[int]:
    """Return the priorities that occur, each found with one look into an index."""
    number = -1
    query = select(func.min(_Q.priority)).where(*places)
    while (following := connection.scalar(query.where(_Q.priority > number))) is not None:
        number = int(following)
        yield number


def _rows(connection: Connection, parts: Sequence[_Part], limit: int | None, *, backwards: bool = False
          ) -> list[Any]:
    """Return the first rows of the parts, read from as few of them as necessary."""
    rows: list[Any] = []
    for part in parts:
        if limit is not None and len(rows) >= limit:
            break
        order = [column.desc() if backwards else column for column in part.order]
        query = select(_Q.reading, _Q.from_history).where(*part.conditions).order_by(*order)
        rows += connection.execute(query.limit(None if limit is None else limit - len(rows)))
    return rows


def _count(connection: Connection, parts: Sequence[_Part]) -> int:
    return sum(connection.scalar(select(func.count()).select_from(REVIEW_QUEUE).where(*part.conditions)) or 0
               for part in parts)


def _entries(store: Store, rows: Sequence[Any]) -> list[QueueEntry]:
    listed = listed_readings(store, [row.reading for row in rows])
    return [_entry(listed[row.reading], decode_reasons(row.from_history), store.review) for row in rows]


def _entry(x: ReadingRow, found: Sequence[HistoryReason], policy: ReviewPolicy) -> QueueEntry:
    reasons = [*_from_reading(x, policy), *(_from_history(x, reason) for reason in found)]
    return QueueEntry(
        reading=x.id, sampled=x.sampled, status=x.status, photo=x.photo, site=x.site, site_name=x.site_name,
        point=x.point, point_name=x.point_name, why=tuple(sorted(reasons, key=lambda r: KINDS.index(r.kind))))


def _from_reading(x: ReadingRow, policy: ReviewPolicy) -> Iterator[ReviewReason]:
    if x.reviewed in ("waiting", "disputed"):
        yield ReviewReason(x.reviewed, REVIEW_STATUS_NAMES[x.reviewed])
    if x.status == "measured":
        yield from (ReviewReason("flags", FLAGS[flag].meaning) for flag in reviewed_flags(x.flags))
    if x.verdict == "inconclusive":
        yield ReviewReason("inconclusive", "a verdict is inconclusive")
    if x.status == "no-result":
        yield ReviewReason("refused", " ".join(("no result:", *(FLAGS[flag].meaning for flag in x.flags))))
    if randomly_selected(x.id, policy):
        yield ReviewReason("drawn", f"random sample, {100 * policy.share:g} % of all readings")


def _from_history(x: ReadingRow, reason: HistoryReason) -> ReviewReason:
    analyte = ANALYTES[reason.analyte]
    if reason.kind == "wide":
        return ReviewReason(
            "wide", f"{analyte.name}: interval {reason.figure:.1f} times as wide as the median at this point")
    value = next(v for v in x.values if v.analyte == reason.analyte)
    read = format_value(value.value, low=value.low, high=value.high, unit=analyte.unit)
    # The unit of pH repeats its name.
    named = read if analyte.unit == analyte.name else f"{analyte.name} {read}"
    usual = significant(reason.figure) + ("" if analyte.unit == analyte.name else f" {analyte.unit}")
    return ReviewReason("outlier", f"{named} differs from {usual}, the median of earlier readings at this point")
