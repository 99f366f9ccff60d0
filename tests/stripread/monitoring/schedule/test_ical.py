"""The calendar file, parsed by the rules of RFC 5545: folding and escaping, 3.1 and 3.3.11."""

import re
from datetime import UTC, date, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar

from stripread.monitoring.schedule.due import calendar
from stripread.monitoring.schedule.intervals import DueItem
from tests.loops import some

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
#: What a line of a record may contain.
LINE = st.text(st.characters(blacklist_categories=("Cs", "Cc")), min_size=1, max_size=120).map(str.strip).filter(bool)


def item(
    what: str = "test tap", why: str = "every 90 days", subject: str = "tap", on: date = date(2026, 3, 9)
) -> DueItem:
    return DueItem(
        on=on, kind="test", subject=subject, what=what, why=why, site="mill", site_name="Mill Lane; café, north"
    )


def properties(written: bytes) -> dict[str, str]:
    """Values by name with its parameters, of the last component that has each: unfolded and unescaped as RFC 5545."""
    lines = written.decode().replace("\r\n ", "").split("\r\n")
    return {name: re.sub(r"\\(.)", lambda m: "\n" if m[1] in "nN" else m[1], value)
            for name, _, value in (line.partition(":") for line in lines)}


def test_an_event_lasts_all_day_and_contains_every_field() -> None:
    found = properties(calendar([item()], NOW))
    assert (found["VERSION"], found["DTSTAMP"]) == ("2.0", "20260302T120000Z")
    assert (found["DTSTART;VALUE=DATE"], found["DTEND;VALUE=DATE"]) == ("20260309", "20260310")
    assert found["SUMMARY"] == "Mill Lane; café, north: test tap"
    assert (found["LOCATION"], found["CATEGORIES"]) == ("Mill Lane; café, north", "test")


@given(what=LINE, why=LINE)
def test_any_text_survives_and_no_line_is_too_long(what: str, why: str) -> None:
    written = calendar([item(what, why)], NOW)
    found = properties(written)
    assert found["DESCRIPTION"] == why
    assert found["SUMMARY"].endswith(what)
    lines = written.split(b"\r\n")
    assert lines[-1] == b""
    assert all(len(line) <= 75 for line in some(lines))
    # Each line decodes alone: none is folded within a character.
    assert all(line.decode() is not None for line in some(lines))


def test_line_breaks_are_escaped() -> None:
    """RFC 5545, 3.3.11, its own example, shortened."""
    text = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared."
    unfolded = calendar([item(why=text)], NOW).replace(b"\r\n ", b"")
    assert rb"DESCRIPTION:Project XYZ Final Review\nConference Room - 3B\nCome Prepared." in unfolded


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
