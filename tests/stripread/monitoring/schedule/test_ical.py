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


def test_an_event_is_a_whole_day_with_all_that_is_said() -> None:
    parsed = Calendar.from_ical(calendar([item()], NOW))
    event, = parsed.walk("VEVENT")
    assert parsed["version"] == "2.0"
    assert event.decoded("dtstart") == date(2026, 3, 9)
    assert event.decoded("dtend") == date(2026, 3, 10)
    assert event.decoded("dtstamp") == NOW
    assert str(event["summary"]) == "Mill Lane; café, north: test tap"
    assert str(event["location"]) == "Mill Lane; café, north"


@given(what=LINE, why=LINE)
def test_any_text_comes_back_and_no_line_is_too_long(what: str, why: str) -> None:
    written = calendar([item(what, why)], NOW)
    event, = Calendar.from_ical(written).walk("VEVENT")
    assert str(event["description"]) == why
    assert str(event["summary"]).endswith(what)
    lines = written.split(b"\r\n")
    assert lines[-1] == b""
    assert all(len(line) <= 75 for line in lines)
    # Each line is text by itself: none is broken within a character.
    assert all(line.decode() is not None for line in lines)


def test_line_breaks_are_escaped() -> None:
    """RFC 5545, 3.3.11, its own example, shortened."""
    assert escaped("Project XYZ Final Review\nConference Room - 3B\nCome Prepared.") == (
        r"Project XYZ Final Review\nConference Room - 3B\nCome Prepared.")
    assert escaped("a\\b;c,d") == r"a\\b\;c\,d"


def test_identity_stays_when_the_day_moves_and_differs_between_things() -> None:
    first, moved, other = item(), item(on=date(2026, 6, 9)), item(subject="behind")
    assert first.uid == moved.uid
    assert first.uid != other.uid


def test_an_empty_list_is_still_a_calendar_with_the_one_component_that_it_takes() -> None:
    """RFC 5545, 3.6: one component at least; 3.6.5: what a time zone has to say."""
    zone, = Calendar.from_ical(calendar([], NOW)).subcomponents
    observance, = zone.subcomponents
    assert (zone.name, observance.name) == ("VTIMEZONE", "STANDARD")
    assert [observance.decoded(name) for name in ("tzoffsetfrom", "tzoffsetto")] == [timedelta(0)] * 2
    assert "dtstart" in observance
