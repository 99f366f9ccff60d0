"""Lists of readings from the reading index, latest sample first; of the records only pad colours are decoded.

A page starts after the last reading of the previous page (keyset pagination), so that all pages take the same time.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import partial
from typing import Any, Final, Literal

import msgspec
from sqlalchemy import ColumnElement, Connection, Select, case, func, or_, select, tuple_

from assess.decision import Verdict
from shared.estimate import Status
from stripread.reading.result import Lab
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, StoredReading, decode_summary
from stripread.store.models.record import stamp
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.reading_status import ReviewStatus
from stripread.store.schema import BODIES, READING_FLAGS, READING_INDEX, RECORD_TYPES, decode_part
from stripread.store.settings import ReviewPolicy
from stripread.store.site_access import ALL_SITES, SiteAccess
from stripread.store.store import Store

#: Whether a reading is current, or superseded by a later one.
State = Literal["current", "superseded"]

_PHOTOGRAPHS, _READINGS, _POINTS, _SITES = (
    RECORD_TYPES[kind].table for kind in (Photograph, StoredReading, SamplingPoint, Site))
#: Most records found by name whose ids are given to the database as values.
_FEW_NAMED: Final = 5000
#: Letters of the shortest text that is searched for in any part of a photograph's name.
_TRIGRAM: Final = 3
_ORDER: Final = (READING_INDEX.c.sampled, READING_INDEX.c.at, READING_INDEX.c.reading)


class ReadingFilter(msgspec.Struct, frozen=True, kw_only=True):
    """Conditions on readings, all of which must be met; ``since`` and ``until`` are inclusive sample times.

    ``state`` None: current and superseded readings. ``corrected``: whether a reviewer entered a value. ``search``: a
    part of the name of site, sampling point or photograph in upper or lower case, or the start of the reading's id; for
    one or two letters only the start of a photograph's name. ``access``: of the account that asks.
    """

    site: str | None = None
    group: str | None = None
    point: str | None = None
    batch: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    verdict: Verdict | None = None
    flag: str | None = None
    status: Literal["measured", "no-result"] | None = None
    state: State | None = "current"
    reviewed: ReviewStatus | None = None
    corrected: bool | None = None
    search: str | None = None
    access: SiteAccess = ALL_SITES


class ListedValue(msgspec.Struct, frozen=True, kw_only=True):
    """A measured value with its 95 % interval, in the analyte's unit; ``status`` below or above: a bound."""

    analyte: str
    status: Status
    value: float
    low: float
    high: float


class ReadingRow(msgspec.Struct, frozen=True, kw_only=True):
    """A reading in a list; site and point are None if the photograph names none.

    ``sampled``: as `Photograph.sampled`; ``at``: time of the evaluation. Both in UTC.
    """

    id: str
    sampled: str
    at: str
    status: Literal["measured", "no-result"]
    photo: str
    photograph: str
    flags: tuple[str, ...]
    group: str | None
    site: str | None
    site_name: str | None
    point: str | None
    point_name: str | None
    batch: str
    values: tuple[ListedValue, ...]
    verdict: Verdict | None
    reviewed: ReviewStatus
    corrected: bool
    superseded_by: str | None


def readings(
    store: Store, query_filter: ReadingFilter, limit: int | None = None, before: str | None = None, *,
    oldest_first: bool = False,
) -> list[ReadingRow]:
    """Return the matching readings, latest sample first; ``before``: only those listed after the reading with this id.

    Raises RecordsError if there is no such reading.
    """
    # The table whose index has the order of the list.
    walked = READING_INDEX if query_filter.flag is None else READING_FLAGS
    with store.viewing() as connection:
        conditions = _conditions(connection, query_filter, store.review)
        if before is not None:
            here, there = tuple_(*(walked.c[c.name] for c in _ORDER)), tuple_(*_position(connection, before))
            conditions.append(here > there if oldest_first else here < there)
        order = partial(_in_order, oldest_first=oldest_first)
        chosen = select(READING_INDEX).where(*conditions).order_by(*order(walked)).limit(limit).subquery()
        rows = connection.execute(_named(chosen, store.review).order_by(*order(chosen)))
        return [_listed(row) for row in rows.mappings()]


def listed_readings(store: Store, ids: Sequence[str]) -> dict[str, ReadingRow]:
    """Return the rows of some readings, by id."""
    with store.viewing() as connection:
        chosen = (select(READING_INDEX).where(READING_INDEX.c.reading.in_(ids[start:start + _FEW_NAMED])).subquery()
                  for start in range(0, len(ids), _FEW_NAMED))
        return {row["id"]: _listed(row) for some in chosen
                for row in connection.execute(_named(some, store.review)).mappings()}


def count_readings(store: Store, query_filter: ReadingFilter, most: int | None = None) -> int:
    """Return the number of matching readings; counting ends at ``most``."""
    with store.viewing() as connection:
        matching = select(READING_INDEX.c.reading).where(*_conditions(connection, query_filter, store.review))
        return connection.scalar(select(func.count()).select_from(matching.limit(most).subquery())) or 0


def count_by_batch(store: Store, query_filter: ReadingFilter) -> dict[str, int]:
    """Return the number of matching readings of each batch that has any."""
    batch = READING_INDEX.c.batch
    with store.viewing() as connection:
        conditions = _conditions(connection, query_filter, store.review)
        query = select(batch, func.count().label("n")).where(*conditions).group_by(batch)
        return {row.batch: row.n for row in connection.execute(query)}


def _position(connection: Connection, id_: str) -> tuple[str, ...]:
    place = connection.execute(select(*_ORDER).where(READING_INDEX.c.reading == id_)).first()
    if place is None:
        raise RecordsError("no such reading", where="readings", found=id_)
    return tuple(place)


def _named(chosen: Any, policy: ReviewPolicy) -> Select[Any]:
    """Return the chosen rows with the names of sites, points and photographs."""
    c = chosen.c
    places = (chosen.join(_PHOTOGRAPHS, c.photograph == _PHOTOGRAPHS.c.id).join(_READINGS, c.reading == _READINGS.c.id)
              .outerjoin(_POINTS, c.point == _POINTS.c.id).outerjoin(_SITES, c.site == _SITES.c.id))
    columns = (c.reading.label("id"), c.sampled, c.at, c.status, _PHOTOGRAPHS.c.name.label("photo"), c.photograph,
               c.flags, c.group, c.site, _SITES.c.name.label("site_name"), c.point, _POINTS.c.name.label("point_name"),
               c.batch, _READINGS.c.value_summary.label("values"), c.verdict,
               review_status_sql(c, policy).label("reviewed"), c.correction.label("corrected"),
               c.superseded_by)
    return select(*columns).select_from(places)


def _listed(row: Any) -> ReadingRow:
    values = tuple(ListedValue(analyte=b.analyte, status=b.status, value=b.value, low=b.low, high=b.high)
                   for b in decode_summary(row["values"]))
    fields = {**row, "values": values, "flags": tuple(row["flags"].split()), "corrected": row["corrected"] is not None}
    return ReadingRow(**fields)


def _in_order(table: Any, *, oldest_first: bool) -> list[ColumnElement[Any]]:
    columns = [table.c[column.name] for column in _ORDER]
    return columns if oldest_first else [column.desc() for column in columns]


def review_status_sql(columns: Any, policy: ReviewPolicy) -> ColumnElement[str]:
    """Return `review_status.review_status` as an SQL expression."""
    decision, other = columns.decision, columns.other_decision
    if not policy.two_reviewers:
        return case((decision.is_(None), "unreviewed"), else_=decision)
    return case(
        (decision.is_(None), "unreviewed"),
        (other.is_(None), "waiting"),
        (decision == other, decision),
        else_="disputed",
    )


def _reviewed_sql(status: ReviewStatus, policy: ReviewPolicy) -> list[ColumnElement[bool]]:
    """Return the conditions under which `review_status_sql` is a status, as the indexes state them."""
    decision, other = READING_INDEX.c.decision, READING_INDEX.c.other_decision
    if status == "unreviewed":
        return [decision.is_(None)]
    if not policy.two_reviewers:
        return [decision == status]
    if status == "waiting":
        return [decision.is_not(None), other.is_(None)]
    return [decision != other] if status == "disputed" else [decision == status, other == status]


def _conditions(connection: Connection, query_filter: ReadingFilter, policy: ReviewPolicy) -> list[ColumnElement[bool]]:
    c = READING_INDEX.c
    conditions = [c[name] == value for name in ("site", "group", "point", "batch", "verdict", "status")
                  if (value := getattr(query_filter, name)) is not None]
    if query_filter.access.groups is not None:
        conditions.append(query_filter.access.reading_sql())
    if query_filter.since is not None:
        conditions.append(c.sampled >= stamp(query_filter.since))
    if query_filter.until is not None:
        conditions.append(c.sampled <= stamp(query_filter.until))
    if query_filter.flag is not None:
        f = READING_FLAGS.c
        # Not by sampled and at as well: PostgreSQL would expect few rows and not walk the index.
        conditions += [f.flag == query_filter.flag, f.reading == c.reading]
    if query_filter.reviewed is not None:
        conditions += _reviewed_sql(query_filter.reviewed, policy)
    for column, required in ((c.superseded_by, query_filter.state and query_filter.state == "superseded"),
                          (c.correction, query_filter.corrected)):
        if required is not None:
            conditions.append(column.is_not(None) if required else column.is_(None))
    if query_filter.search:
        conditions.append(named_sql(connection, query_filter.search))
    return conditions


def named_sql(connection: Connection, typed: str) -> ColumnElement[bool]:
    """Return the condition on the index that a name of the reading contains a text, or that its id begins with it."""
    c = READING_INDEX.c
    names = ((c.photograph, _PHOTOGRAPHS), (c.site, _SITES), (c.point, _POINTS))
    conditions = [_among(connection, column, table, typed) for column, table in names]
    return or_(_begins(connection, c.reading, typed), *(named for named in conditions if named is not None))


def _among(connection: Connection, column: ColumnElement[Any], table: Any, typed: str) -> ColumnElement[bool] | None:
    """Return the condition that a column refers to a record of that name; None if there is none.

    Few records are looked up first: with their ids as values the database chooses between its indexes. Where there are
    many, a list soon finds them in its own order, and looks up the name of each reading.
    """
    named = _part_of_photograph if table is _PHOTOGRAPHS else _part
    few = connection.scalars(select(table.c.id).where(named(table.c.name, typed)).limit(_FEW_NAMED + 1)).all()
    if len(few) > _FEW_NAMED:
        name = select(table.c.name).where(table.c.id == column).correlate(READING_INDEX).scalar_subquery()
        return named(name, typed)
    return column.in_(few) if few else None


def _part(name: ColumnElement[str], typed: str) -> ColumnElement[bool]:
    return name.icontains(typed, autoescape=True)


def _part_of_photograph(name: ColumnElement[str], typed: str) -> ColumnElement[bool]:
    """Return the condition that a name contains a text, or begins with a short one.

    PostgreSQL finds both by trigrams. For a short part of a name it would read all names, 0.3 s for a million.
    """
    return name.istartswith(typed, autoescape=True) if len(typed) < _TRIGRAM else _part(name, typed)


def _begins(connection: Connection, column: ColumnElement[str], typed: str) -> ColumnElement[bool]:
    """Return the condition that a text begins with another, as an index of the database has it.

    Those of PostgreSQL are made for `LIKE`; that of SQLite, which ignores the case, uses none.
    """
    if connection.dialect.name == "postgresql":
        return column.startswith(typed, autoescape=True)
    return (column >= typed) & (column < typed + "\U0010ffff")


class _Pad(msgspec.Struct):
    lab: Lab | None = None
    value: float | None = None


class _Reading(msgspec.Struct):
    pads: tuple[_Pad, ...] = ()


class _Stored(msgspec.Struct):
    """The part of a reading that is used here."""

    reading: _Reading


def pad_colours(store: Store, readings: Iterable[str]) -> dict[str, tuple[Lab | None, ...]]:
    """Return the CIELAB colour of each pad by reading, None for a pad without a result."""
    query = (select(_READINGS.c.id, BODIES.c.body).join(BODIES, BODIES.c.sha256 == _READINGS.c.sha256)
             .where(_READINGS.c.id.in_(list(readings))))
    with store.viewing() as connection:
        return {row.id: _colours(row.body) for row in connection.execute(query)}


def _colours(body: str) -> tuple[Lab | None, ...]:
    pads = decode_part(StoredReading, body, _Stored).reading.pads
    return tuple(p.lab if p.value is not None else None for p in pads)
