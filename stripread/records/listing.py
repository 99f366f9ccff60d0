"""Lists of readings: from the tables alone, so that it takes no decoding of what each reading says."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

import msgspec
from sqlalchemy import ColumnElement, Select, select

from stripread.records.kinds.evidence import Photograph, StoredReading
from stripread.records.kinds.places import SamplingPoint
from stripread.records.kinds.record import stamp
from stripread.records.schema import KINDS
from stripread.records.store import Store

_READINGS, _PHOTOGRAPHS, _POINTS = (KINDS[kind].table for kind in (StoredReading, Photograph, SamplingPoint))


class Wanted(msgspec.Struct, frozen=True, kw_only=True):
    """Which readings: each field that is given narrows the list; ``since`` and ``until`` are both included."""

    site: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    flag: str | None = None
    status: Literal["read", "refused"] | None = None
    superseded: bool = False


class Listed(msgspec.Struct, frozen=True, kw_only=True):
    """One reading in a list; site and point are None where the photograph names none."""

    id: str
    at: str
    status: str
    photo: str
    photograph: str
    flags: tuple[str, ...]
    site: str | None
    point: str | None
    batch: str | None


def readings(store: Store, wanted: Wanted, limit: int | None = None) -> list[Listed]:
    """The readings wanted, latest first; superseded ones only where asked for."""
    with store.viewing() as connection:
        rows = connection.execute(_joined().where(*_conditions(wanted)).limit(limit)).mappings()
        return [Listed(**{**row, "flags": tuple(row["flags"].split())}) for row in rows]


def _joined() -> Select[Any]:
    r, p, s = _READINGS.c, _PHOTOGRAPHS.c, _POINTS.c
    places = _READINGS.join(_PHOTOGRAPHS, r.photograph == p.id).outerjoin(_POINTS, p.point == s.id)
    columns = (r.id, r.at, r.status, p.name.label("photo"), r.photograph, r.flags, s.site, p.point, p.batch)
    return select(*columns).select_from(places).order_by(r.at.desc(), r.id)


def _conditions(wanted: Wanted) -> list[ColumnElement[bool]]:
    r, later = _READINGS.c, _READINGS.alias("later")
    found: list[ColumnElement[bool]] = []
    if wanted.site is not None:
        found.append(_POINTS.c.site == wanted.site)
    if wanted.status is not None:
        found.append(r.status == wanted.status)
    if wanted.since is not None:
        found.append(r.at >= stamp(wanted.since))
    if wanted.until is not None:
        found.append(r.at <= stamp(wanted.until))
    if wanted.flag is not None:
        found.append(r.flags.contains(f" {wanted.flag} ", autoescape=True))
    if not wanted.superseded:
        found.append(~select(later.c.id).where(later.c.supersedes == r.id).exists())
    return found
