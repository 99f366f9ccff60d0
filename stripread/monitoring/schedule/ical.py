"""Calendar file of due items: RFC 5545, one all-day event for each item."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

from stripread.monitoring.schedule.intervals import DueItem

#: Maximum octets of a line without its end (RFC 5545, 3.1).
_LINE: Final = 75
_UTC: Final = (
    "BEGIN:VTIMEZONE", "TZID:UTC", "BEGIN:STANDARD", "DTSTART:19700101T000000", "TZOFFSETFROM:+0000",
    "TZOFFSETTO:+0000", "END:STANDARD", "END:VTIMEZONE")
_ESCAPED: Final = str.maketrans({"\\": "\\\\", ";": "\\;", ",": "\\,", "\n": "\\n", "\r": ""})


def calendar(items: Sequence[DueItem], now: datetime) -> bytes:
    """Return the calendar of ``items``, stamped ``now``. The UIDs are constant, so that a later file moves the events.

    Without items it contains a time zone only: a calendar needs at least one component (RFC 5545, 3.6).
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//stripread//due list//EN", "CALSCALE:GREGORIAN"]
    for item in items:
        lines += _event(item, now)
    if not items:
        lines += _UTC
    return b"".join(_folded(line) for line in (*lines, "END:VCALENDAR"))


def _event(item: DueItem, now: datetime) -> list[str]:
    return [
        "BEGIN:VEVENT", f"UID:{item.uid}", f"DTSTAMP:{now.astimezone(UTC):%Y%m%dT%H%M%SZ}",
        f"DTSTART;VALUE=DATE:{item.on:%Y%m%d}", f"DTEND;VALUE=DATE:{item.on + timedelta(days=1):%Y%m%d}",
        f"SUMMARY:{escaped(item.sentence)}", f"DESCRIPTION:{escaped(item.why)}", f"CATEGORIES:{escaped(item.kind)}",
        *([f"LOCATION:{escaped(item.site_name)}"] if item.site_name else []), "TRANSP:TRANSPARENT", "END:VEVENT"]


def escaped(text: str) -> str:
    """Return the text as a value of type TEXT (RFC 5545, 3.3.11)."""
    return text.translate(_ESCAPED)


def _folded(line: str) -> bytes:
    """Return the line with its end, folded where it is too long, never within a character."""
    return b"\r\n ".join(_pieces(line)) + b"\r\n"


def _pieces(line: str) -> Iterator[bytes]:
    room, piece = _LINE, b""
    for character in line:
        octets = character.encode()
        if len(piece) + len(octets) > room:
            yield piece
            # The leading blank of a continuation line counts.
            room, piece = _LINE - 1, b""
        piece += octets
    yield piece
