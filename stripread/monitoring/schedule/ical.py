"""Calendar file of due items (RFC 5545): one all-day event for each item."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from stripread.monitoring.schedule.intervals import DueItem

if TYPE_CHECKING:
    from icalendar import Component


def calendar(items: Sequence[DueItem], now: datetime) -> bytes:
    """Return the calendar of ``items``, stamped ``now``. The UIDs are constant, so that a later file moves the events.

    Without items it contains a time zone only: a calendar needs at least one component (RFC 5545, 3.6).
    """
    from icalendar import Calendar

    made = Calendar()
    made.add("version", "2.0")
    made.add("prodid", "-//stripread//due list//EN")
    made.add("calscale", "GREGORIAN")
    for item in items:
        made.add_component(_event(item, now))
    if not items:
        made.add_component(_utc())
    text: bytes = made.to_ical()
    return text


def _utc() -> Component:
    from icalendar import Timezone, TimezoneStandard

    observance = TimezoneStandard()
    observance.add("dtstart", datetime(1970, 1, 1))  # noqa: DTZ001 - local time, as RFC 5545, 3.6.5 requires
    observance.add("tzoffsetfrom", timedelta(0))
    observance.add("tzoffsetto", timedelta(0))
    zone = Timezone()
    zone.add("tzid", "UTC")
    zone.add_component(observance)
    return zone


def _event(item: DueItem, now: datetime) -> Component:
    from icalendar import Event

    event = Event()
    event.add("uid", item.uid)
    event.add("dtstamp", now.astimezone(UTC))
    event.add("dtstart", item.on)
    event.add("dtend", item.on + timedelta(days=1))
    event.add("summary", item.sentence)
    event.add("description", item.why)
    event.add("categories", [item.kind])
    if item.site_name:
        event.add("location", item.site_name)
    event.add("transp", "TRANSPARENT")
    return event
