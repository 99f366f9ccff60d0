"""The calendar file, read back by the `icalendar` package; folding and escaping as RFC 5545, 3.1 and 3.3.11."""

from datetime import UTC, date, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar

from stripread.monitoring.schedule.ical import calendar, escaped
from stripread.monitoring.schedule.intervals import DueItem

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
#: What a line of a record may hold.
LINE = st.text(st.characters(blacklist_categories=("Cs", "Cc")), min_size=1, max_size=120).map(str.strip).filter(bool)


def item(
    what: str = "test tap", why: str = "every 90 days", subject: str = "tap", on: date = date(2026, 3, 9)
) -> DueItem:
    return DueItem(
        on=on, kind="test", subject=subject, what=what, why=why, site="mill", site_name="Mill Lane; café, north"
    )


def test_an_event_lasts_all_day_and_contains_every_field() -> None:
    parsed = Calendar.from_ical(calendar([item()], NOW))
    event, = parsed.walk("VEVENT")
    assert parsed["version"] == "2.0"
    assert event.decoded("dtstart") == date(2026, 3, 9)
    assert event.decoded("dtend") == date(2026, 3, 10)
    assert event.decoded("dtstamp") == NOW
    assert str(event["summary"]) == "Mill Lane; café, north: test tap"
    assert str(event["location"]) == "Mill Lane; café, north"


@given(what=LINE, why=LINE)
def test_any_text_survives_and_no_line_is_too_long(what: str, why: str) -> None:
    written = calendar([item(what, why)], NOW)
    event, = Calendar.from_ical(written).walk("VEVENT")
    assert str(event["description"]) == why
    assert str(event["summary"]).endswith(what)
    lines = written.split(b"\r\n")
    assert lines[-1] == b""
    assert all(len(line) <= 75 for line in lines)
    # Each line decodes alone: none is folded within a character.
    assert all(line.decode() is not None for line in lines)


def test_line_breaks_are_escaped() -> None:
    """RFC 5545, 3.3.11, its own example, shortened."""
    assert escaped("Project XYZ Final Review\nConference Room - 3B\nCome Prepared.") == (
        r"Project XYZ Final Review\nConference Room - 3B\nCome Prepared.")
    assert escaped("a\\b;c,d") == r"a\\b\;c\,d"


def test_the_uid_depends_on_the_task_and_not_on_the_day() -> None:
    first, moved, other = item(), item(on=date(2026, 6, 9)), item(subject="behind")
    assert first.uid == moved.uid
    assert first.uid != other.uid


def test_an_empty_list_gives_a_calendar_with_a_time_zone() -> None:
    """RFC 5545, 3.6: at least one component; 3.6.5: the required properties of a time zone."""
    zone, = Calendar.from_ical(calendar([], NOW)).subcomponents
    observance, = zone.subcomponents
    assert (zone.name, observance.name) == ("VTIMEZONE", "STANDARD")
    assert [observance.decoded(name) for name in ("tzoffsetfrom", "tzoffsetto")] == [timedelta(0)] * 2
    assert "dtstart" in observance
