"""What all records share: an id, and the limits of what a short text may hold."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated
from uuid import uuid4

import msgspec

#: One line of text: no control characters, which some databases cannot hold, nor what turns the direction of writing.
_LINE = r"^[^\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]+\Z"
Id = Annotated[str, msgspec.Meta(min_length=1, max_length=128, pattern=_LINE)]
Line = Annotated[str, msgspec.Meta(min_length=1, max_length=300, pattern=_LINE)]
Sha256 = Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{64}\Z")]
Moment = Annotated[datetime, msgspec.Meta(tz=True)]
Days = Annotated[int, msgspec.Meta(ge=1, le=3650)]


class Record(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Anything kept, under an id that is its own among its kind."""

    id: Id


def new_id() -> str:
    """An id that nobody else will draw."""
    return uuid4().hex


def validation_message(error: Exception) -> str:
    """What msgspec says of a record that cannot be, in words: nobody reads patterns."""
    return str(error).replace(f"matching regex {_LINE!r}", "that is one line of text, without control characters")


def stamp(moment: datetime) -> str:
    """A moment in UTC as text: sorts by time, and is the same in every database."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")
