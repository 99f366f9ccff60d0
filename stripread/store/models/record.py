"""Base of all records: the id, and constraints of short texts."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Final
from uuid import uuid4

import msgspec

from assess.limits import SEVERITIES

#: One line of text without control characters, which some databases cannot store, and bidirectional overrides.
_LINE = r"^[^\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]+\Z"
Id = Annotated[str, msgspec.Meta(min_length=1, max_length=128, pattern=_LINE)]
Line = Annotated[str, msgspec.Meta(min_length=1, max_length=300, pattern=_LINE)]
Sha256 = Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{64}\Z")]
Moment = Annotated[datetime, msgspec.Meta(tz=True)]
Days = Annotated[int, msgspec.Meta(ge=1, le=3650)]


class Record(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A stored record; ``id`` is unique within its type."""

    id: Id


def new_id() -> str:
    """Return a new random id."""
    return uuid4().hex


def validation_message(error: Exception) -> str:
    """Return msgspec's message on an invalid record, with the pattern replaced by a description."""
    return str(error).replace(f"matching regex {_LINE!r}", "that is one line of text, without control characters")


def stamp(moment: datetime) -> str:
    """Return a time in UTC as text that sorts by time and is the same in every database."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


#: Keys, and values of a status and of ids, as earlier versions wrote them, and those of this version.
_EARLIER_TERMS: Final = (
    ('"status":"read"', '"status":"measured"'), ('"status":"refused"', '"status":"no-result"'),
    ('"id":"maker\'s ', '"id":"manufacturer\'s '),
    ('"job":"fitted"', '"job":"installed"'), ('"fitted":', '"installed":'),
    ('"id":"maker-limit-not-on-file"', '"id":"manufacturer-limit-not-on-file"'),
    *((f'"{key}":"{earlier}"', f'"{key}":"{current}"') for key in ("verdict", *SEVERITIES)
      for earlier, current in (("in", "within-limits"), ("undecided", "inconclusive"), ("out", "out-of-limits"))))


def in_current_terms(body: str) -> str:
    """Return the JSON of a record with the values of this version; the stored body is not changed.

    In JSON a quotation mark within a text is escaped, so only keys with their values match.
    """
    for earlier, current in _EARLIER_TERMS:
        body = body.replace(earlier, current)
    return body


#: What users call a record whose type has a shorter name.
_SINGULARS: Final = {
    "site_groups": "group of sites", "points": "sampling point", "units": "treatment unit", "services": "recorded work",
    "batches": "strip batch", "lab_results": "laboratory result", "stock": "stock of a unit"}


def singular(table: str) -> str:
    """Return what users call one record of the type with this table."""
    return _SINGULARS.get(table, table.removesuffix("s").replace("_", " "))


_PLURALS: Final = {
    "site_groups": "groups of sites", "services": "records of work", "batches": "strip batches",
    "stock": "stocks of units"}


def counted(table: str, n: int) -> str:
    """Return a number of records of a type in words, as "3 sampling points"."""
    return f"{n} {singular(table) if n == 1 else _PLURALS.get(table, f'{singular(table)}s')}"
