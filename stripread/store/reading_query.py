"""Lists of readings: from one table alone, so that it takes no decoding of what each reading says.

Latest sample first. A page goes on after the last reading of the one before, so that each takes as long as the first.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final, Literal

import msgspec
from sqlalchemy import ColumnElement, Connection, Select, case, select, tuple_

from assess.decision import Verdict
from shared.estimate import Status
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.record import stamp
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.models.value_summary import decode_summary
from stripread.store.review_status import Standing
from stripread.store.schema import LISTED, RECORD_TYPES
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store

#: Whether a reading counts, or a later one stands in its place.
State = Literal["stands", "superseded"]

_PHOTOGRAPHS, _READINGS, _POINTS, _SITES = (
    RECORD_TYPES[kind].table for kind in (Photograph, StoredReading, SamplingPoint, Site))
_ORDER: Final = (LISTED.c.sampled, LISTED.c.at, LISTED.c.reading)


class ReadingFilter(msgspec.Struct, frozen=True, kw_only=True):
    """Which readings: each field that is given narrows the list; ``since`` and ``until`` are both included.

    The times are those of the samples. ``state`` None: superseded ones too. ``corrected``: whether a
    reviewer entered a value for them.
    """

    site: str | None = None
    group: str | None = None
    point: str | None = None
    batch: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    verdict: Verdict | None = None
    flag: str | None = None
    status: Literal["read", "refused"] | None = None
    state: State | None = "stands"
    reviewed: Standing | None = None
    corrected: bool | None = None


class ListedValue(msgspec.Struct, frozen=True, kw_only=True):
    """One measured value with its 95 % interval, in the analyte's own unit; ``status`` below or above: a bound."""

    analyte: str
    status: Status
    value: float
    low: float
    high: float


class ReadingRow(msgspec.Struct, frozen=True, kw_only=True):
    """One reading in a list; site and point are None where the photograph names none.

    ``sampled``: as `Photograph.sampled`; ``at``: when it was read. Both in UTC.
    """

    id: str
    sampled: str
    at: str
    status: Literal["read", "refused"]
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
    reviewed: Standing
    corrected: bool
    superseded_by: str | None


def readings(
    store: Store, wanted: ReadingFilter, limit: int | None = None, before: str | None = None
) -> list[ReadingRow]:
    """The readings wanted, latest sample first; ``before``: only what comes after the reading of this id in the list.

    Raises RecordsError where there is no such reading.
    """
    with store.viewing() as connection:
        conditions = _conditions(wanted, store.review)
        if before is not None:
            conditions.append(tuple_(*_ORDER) < tuple_(*_place(connection, before)))
        chosen = select(LISTED).where(*conditions).order_by(*_backwards(LISTED)).limit(limit).subquery()
        return [_listed(row) for row in connection.execute(_named(chosen, store.review)).mappings()]


def _place(connection: Connection, id_: str) -> tuple[str, ...]:
    place = connection.execute(select(*_ORDER).where(LISTED.c.reading == id_)).first()
    if place is None:
        raise RecordsError("no such reading", where="readings", found=id_)
    return tuple(place)


def _named(chosen: Any, policy: ReviewPolicy) -> Select[Any]:
    """The rows chosen, with the names of what they refer to."""
    c = chosen.c
    places = (chosen.join(_PHOTOGRAPHS, c.photograph == _PHOTOGRAPHS.c.id).join(_READINGS, c.reading == _READINGS.c.id)
              .outerjoin(_POINTS, c.point == _POINTS.c.id).outerjoin(_SITES, c.site == _SITES.c.id))
    columns = (c.reading.label("id"), c.sampled, c.at, c.status, _PHOTOGRAPHS.c.name.label("photo"), c.photograph,
               c.flags, c.group, c.site, _SITES.c.name.label("site_name"), c.point, _POINTS.c.name.label("point_name"),
               c.batch, _READINGS.c.brief.label("values"), c.verdict,
               review_status_sql(c, policy).label("reviewed"), c.correction.label("corrected"),
               c.superseded_by)
    return select(*columns).select_from(places).order_by(*_backwards(chosen))


def _listed(row: Any) -> ReadingRow:
    values = tuple(ListedValue(analyte=b.analyte, status=b.status, value=b.value, low=b.low, high=b.high)
                   for b in decode_summary(row["values"]))
    fields = {**row, "values": values, "flags": tuple(row["flags"].split()), "corrected": row["corrected"] is not None}
    return ReadingRow(**fields)


def _backwards(table: Any) -> list[ColumnElement[Any]]:
    return [table.c[column.name].desc() for column in _ORDER]


def review_status_sql(columns: Any, policy: ReviewPolicy) -> ColumnElement[str]:
    """The same as `review.standing.standing`, by the database."""
    word, other = columns.word, columns.other_word
    if not policy.two_reviewers:
        return case((word.is_(None), "unreviewed"), else_=word)
    return case((word.is_(None), "unreviewed"), (other.is_(None), "waiting"), (word == other, word), else_="disputed")


def _conditions(wanted: ReadingFilter, policy: ReviewPolicy) -> list[ColumnElement[bool]]:
    c = LISTED.c
    found = [c[name] == value for name in ("site", "group", "point", "batch", "verdict", "status")
             if (value := getattr(wanted, name)) is not None]
    if wanted.since is not None:
        found.append(c.sampled >= stamp(wanted.since))
    if wanted.until is not None:
        found.append(c.sampled <= stamp(wanted.until))
    if wanted.flag is not None:
        found.append(c.flags.contains(f" {wanted.flag} ", autoescape=True))
    if wanted.reviewed is not None:
        found.append(review_status_sql(c, policy) == wanted.reviewed)
    for column, there in ((c.superseded_by, wanted.state and wanted.state == "superseded"),
                          (c.correction, wanted.corrected)):
        if there is not None:
            found.append(column.is_not(None) if there else column.is_(None))
    return found
