"""Measured pad colours of readings, for lists: only this part of each record is decoded."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec
from sqlalchemy import select

from stripread.reading.result import Lab
from stripread.store.models.evidence import StoredReading
from stripread.store.schema import BODIES, RECORD_TYPES, decode_part
from stripread.store.store import Store

_READINGS = RECORD_TYPES[StoredReading].table


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
