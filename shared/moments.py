"""Moments that people, cameras and programs state: valid, and within the years this program can compare."""

from __future__ import annotations

from datetime import MAXYEAR, datetime
from typing import Final

#: Clocks that were never set start in 1970 or later. A year of margin at either end lets any time zone be applied.
EARLIEST_YEAR: Final = 1970
LATEST_YEAR: Final = MAXYEAR - 1


def moment_from_text(text: str) -> datetime | None:
    """The moment of an ISO 8601 text, with or without a time zone; None where it is not one, or out of range."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if EARLIEST_YEAR <= moment.year <= LATEST_YEAR else None
