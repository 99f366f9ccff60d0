"""Rows that follow from the reading index: flags, and the review queue with what its readings are compared with.

They are updated in the transaction of each record for the readings that it affects, and for those that are compared
with them: the next ten at the sampling point. Nothing here depends on the review policy, so that a change of settings
changes no row.
"""

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain, groupby, islice
from typing import Any, Final, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, Table, delete, insert, or_, select, tuple_

from stripread.store.models.evidence import StoredReading, ValueSummary, decode_summary
from stripread.store.review_reasons import (
    MOST,
    HistoryReason,
    ReasonKind,
    against_history,
    decode_reasons,
    encode_reasons,
    kind_bits,
    lasting_kinds,
    lot_of,
    priority,
)
from stripread.store.schema import READING_FLAGS, READING_INDEX, RECORD_TYPES, REVIEW_QUEUE

_LOG: Final = logging.getLogger(__name__)
_READINGS: Final = RECORD_TYPES[StoredReading].table
_I: Final = READING_INDEX.c
_ORDER: Final = (_I.sampled, _I.at, _I.reading)
#: Columns of the index that the rows follow from.
_COLUMNS: Final = (_I.reading, _I.sampled, _I.at, _I.status, _I.flags, _I.point, _I.site, _I.group, _I.verdict,
                   _I.superseded_by, _I.decision, _I.other_decision)
#: Readings that are compared with others, and those that others are compared with.
_COMPARED: Final = ((_I.status == "measured"), _I.superseded_by.is_(None))
_COUNTING: Final = (*_COMPARED, or_(_I.decision.is_(None), _I.decision != "rejected"))
#: Rows in a statement, and readings compared at once when all rows are made.
_CHUNK, _AT_ONCE = 2000, 20_000

#: Rows of the index with `_COLUMNS`.
Rows = Sequence[Any]


class Member(NamedTuple):
    """A reading in the history of a sampling point; ``counts``: later ones are compared with it."""

    reading: str
    counts: bool
    values: Mapping[str, ValueSummary]


def index_rows(ids: Select[Any]) -> Select[Any]:
    """Return the query of the columns that `refresh` compares, of the readings of another query."""
    return select(*_COLUMNS).where(_I.reading.in_(ids))


def refresh(connection: Connection, before: Rows, after: Rows) -> None:
    """Update the rows of readings whose rows in the index were ``before`` and are ``after``."""
    unchanged = set(before) & set(after)
    changed = [row for row in chain(before, after) if row not in unchanged]
    if not changed:
        return
    stored = _stored_reasons(connection, _in_place(before, after))
    reasons = {**stored, **_compared(connection, [row for row in changed if row.reading not in stored])}
    now = {row.reading: row for row in after if row not in unchanged}
    others = reasons.keys() - now.keys()
    if others:
        now.update((row.reading, row) for row in connection.execute(
            select(*_COLUMNS).where(_I.reading.in_(sorted(others)))))
    _replace(connection, {row.reading for row in changed} | now.keys(), now.values(), reasons)


def _in_place(before: Rows, after: Rows) -> set[str]:
    """Return the readings that are compared with the same ones as before, and others with them."""
    def facts(row: Any) -> tuple[Any, ...]:
        return (row.reading, row.point, row.sampled, row.at, row.status, row.superseded_by is None,
                row.decision == "rejected")

    return {same[0] for same in set(map(facts, before)) & set(map(facts, after))}


def _stored_reasons(connection: Connection, readings: set[str]) -> dict[str, Sequence[HistoryReason]]:
    """Return the reasons of those readings that are in the queue."""
    listed, q = sorted(readings), REVIEW_QUEUE.c
    return {row.reading: decode_reasons(row.from_history) for start in range(0, len(listed), _CHUNK)
            for row in connection.execute(
                select(q.reading, q.from_history).where(q.reading.in_(listed[start:start + _CHUNK])))}


def missing(connection: Connection) -> bool:
    """Return whether there are no rows."""
    return all(connection.scalar(select(table.c.reading).limit(1)) is None for table in (READING_FLAGS, REVIEW_QUEUE))


def rebuild(connection: Connection) -> None:
    """Make all rows again; report how far it is where that takes long."""
    for table in (READING_FLAGS, REVIEW_QUEUE):
        connection.execute(delete(table))
    done = 0
    for some, reasons in _all(connection):
        _insert(connection, some, reasons)
        done += len(some)
        if done >= _AT_ONCE:
            _LOG.warning("flags and review queue: %s readings done", f"{done:,}")


def mismatch(connection: Connection) -> str | None:
    """Return the id of a reading whose rows do not follow from the index; None if all do."""
    for table in (READING_FLAGS, REVIEW_QUEUE):
        unknown = select(table.c.reading).where(table.c.reading.not_in(select(_I.reading))).limit(1)
        if (stray := connection.scalar(unknown)) is not None:
            return str(stray)
    for some, reasons in _all(connection):
        for table, expected in _expected(some, reasons):
            ids = [row.reading for row in some]
            wrong = _stored(connection, table, ids) ^ {tuple(row[c.name] for c in table.c) for row in expected}
            if wrong:
                return min(str(row[0]) for row in wrong)
    return None


def _stored(connection: Connection, table: Table, ids: Sequence[str]) -> set[tuple[Any, ...]]:
    return {tuple(row) for start in range(0, len(ids), _CHUNK)
            for row in connection.execute(select(table).where(table.c.reading.in_(ids[start:start + _CHUNK])))}


def _all(connection: Connection) -> Iterator[tuple[Rows, dict[str, list[HistoryReason]]]]:
    """Return all rows of the index, whole sampling points at a time, with the reasons from their histories."""
    query = (select(*_COLUMNS, _READINGS.c.value_summary).join(_READINGS, _READINGS.c.id == _I.reading)
             .order_by(_I.point, *_ORDER))
    with connection.execute(query, execution_options={"yield_per": _CHUNK}) as result:
        some: list[Any] = []
        histories: list[list[Member]] = []
        for point, group in groupby(result, key=lambda row: row.point):
            # Readings without a point have no history, and may be many.
            while rows := list(islice(group, None if point is not None else _AT_ONCE)):
                some += rows
                histories.append(_members(rows) if point is not None else [])
                if len(some) >= _AT_ONCE:
                    yield some, history_reasons(histories)
                    some, histories = [], []
        yield some, history_reasons(histories)


def _members(rows: Iterable[Any]) -> list[Member]:
    return [Member(row.reading, row.decision != "rejected", {v.analyte: v for v in decode_summary(row.value_summary)})
            for row in rows if row.status == "measured" and row.superseded_by is None]


def history_reasons(histories: Sequence[Sequence[Member]]) -> dict[str, list[HistoryReason]]:
    """Return the reasons of each reading that differs from its history, by reading; members in order of time."""
    series: list[ValueSummary | None] = []
    readings: list[str] = []
    runs: list[int] = []
    for run, only_last in chain.from_iterable(map(_runs, histories)):
        for analyte in dict.fromkeys(chain.from_iterable(member.values for member in run)):
            series += (member.values.get(analyte) for member in run)
            readings += ("" if only_last and member is not run[-1] else member.reading for member in run)
            runs.append(len(run))
    found: dict[str, list[HistoryReason]] = defaultdict(list)
    for place, reasons in (against_history(series, runs) if series else {}).items():
        if readings[place]:
            found[readings[place]] += reasons
    return {reading: sorted(reasons, key=lambda r: (r.kind, r.analyte)) for reading, reasons in found.items()}


def _runs(history: Sequence[Member]) -> Iterator[tuple[Sequence[Member], bool]]:
    """Return the members that count, and each other one after those before it; True: only the last is judged."""
    counting: list[Member] = []
    for member in history:
        if member.counts:
            counting.append(member)
        else:
            yield (*counting[-MOST:], member), True
    if counting:
        yield counting, False


def _compared(connection: Connection, changed: Rows) -> dict[str, Sequence[HistoryReason]]:
    """Return the reasons of the changed readings and of the next ten at their sampling points, by reading."""
    histories, judged = list[list[Member]](), dict[str, list[HistoryReason]]()
    for point in sorted({row.point for row in changed if row.point is not None}):
        places = [(row.sampled, row.at, row.reading) for row in changed if row.point == point]
        past, members = _history(connection, point, min(places), max(places))
        histories.append([*past, *members])
        judged |= {member.reading: [] for member in members}
    reasons = history_reasons(histories)
    return {reading: reasons.get(reading, []) for reading in judged}


def _history(connection: Connection, point: str, first: tuple[str, ...], last: tuple[str, ...]
             ) -> tuple[list[Member], list[Member]]:
    """Return the ten readings before the place ``first``, and those from there to the tenth after ``last``."""
    here = _I.point == point
    query = (select(_I.reading, _I.status, _I.decision, _I.superseded_by, _READINGS.c.value_summary)
             .join(_READINGS, _READINGS.c.id == _I.reading))
    past = connection.execute(query.where(here, *_COUNTING, tuple_(*_ORDER) < first)
                              .order_by(*(c.desc() for c in _ORDER)).limit(MOST)).all()
    end = connection.execute(select(*_ORDER).where(here, *_COUNTING, tuple_(*_ORDER) > last)
                             .order_by(*_ORDER).limit(1).offset(MOST - 1)).first()
    until: list[ColumnElement[bool]] = [] if end is None else [tuple_(*_ORDER) <= tuple(end)]
    span = connection.execute(query.where(here, *_COMPARED, tuple_(*_ORDER) >= first, *until).order_by(*_ORDER)).all()
    return _members(reversed(past)), _members(span)


def _replace(connection: Connection, ids: Iterable[str], rows: Iterable[Any],
             reasons: Mapping[str, Sequence[HistoryReason]]) -> None:
    gone, made = sorted(ids), list(rows)
    for start in range(0, len(gone), _CHUNK):
        for table in (READING_FLAGS, REVIEW_QUEUE):
            connection.execute(delete(table).where(table.c.reading.in_(gone[start:start + _CHUNK])))
    _insert(connection, made, reasons)


def _insert(connection: Connection, rows: Rows, reasons: Mapping[str, Sequence[HistoryReason]]) -> None:
    for table, expected in _expected(rows, reasons):
        for start in range(0, len(expected), _CHUNK):
            connection.execute(insert(table), expected[start:start + _CHUNK])


def _expected(rows: Rows, reasons: Mapping[str, Sequence[HistoryReason]]
              ) -> tuple[tuple[Table, list[dict[str, object]]], ...]:
    """Return the rows of both tables for some rows of the index."""
    flags = [{"reading": row.reading, "flag": flag, "sampled": row.sampled, "at": row.at}
             for row in rows for flag in dict.fromkeys(row.flags.split())]
    queued = [made for row in rows if (made := _queued(row, reasons.get(row.reading, ()))) is not None]
    return (READING_FLAGS, flags), (REVIEW_QUEUE, queued)


def _queued(row: Any, reasons: Sequence[HistoryReason]) -> dict[str, object] | None:
    """Return the row of a reading in the queue; None if it is superseded or finally decided."""
    decided = row.decision is not None and row.decision == row.other_decision
    if row.superseded_by is not None or decided:
        return None
    begun: list[ReasonKind] = [] if row.decision is None else ["waiting" if row.other_decision is None else "disputed"]
    kinds = [*begun, *(reason.kind for reason in reasons),
             *lasting_kinds(status=row.status, flags=row.flags.split(), verdict=row.verdict)]
    return {"reading": row.reading, "priority": priority(kinds), "kinds": kind_bits(kinds),
            "lot": lot_of(row.reading), "sampled": row.sampled, "site": row.site, "group": row.group,
            "from_history": encode_reasons(reasons)}
