"""Early and late: the strip type's own window is the source of every border."""

from datetime import UTC, datetime, timedelta, timezone

import msgspec
import pytest

from shared.errors import InputError
from shared.strip import default_strip
from stripread.reading.context import CLOCK_S, Dip, clock_flags, dip_from_text, exposed, with_timing
from stripread.reading.result import Provenance, Reading

STRIP = default_strip()
TAKEN = "2031-05-04T09:30:00"


def reading(taken: str | None = TAKEN) -> Reading:
    return Reading(photo="a.jpg", status="no-result", reason="", flags=(), provenance=Provenance(
        software="", photo_sha256="", pixels_sha256="", chart="", batch="", profile="", taken=taken))


@pytest.mark.parametrize(("elapsed", "flags"), [
    (0.0, ("early",)), (STRIP.read_after_s - CLOCK_S - 0.5, ("early",)), (STRIP.read_after_s - CLOCK_S, ()),
    (STRIP.read_after_s, ()), (STRIP.read_before_s + CLOCK_S, ()), (STRIP.read_before_s + CLOCK_S + 0.5, ("late",)),
    (3600.0, ("late",))])
def test_the_window_has_two_borders(elapsed: float, flags: tuple[str, ...]) -> None:
    assert with_timing(reading(), STRIP, elapsed).flags == flags


def test_a_pad_with_a_window_of_its_own_is_flagged_by_itself(good_reading: Reading) -> None:
    pads = tuple(msgspec.structs.replace(p, read_before_s=200.0) if p.analyte == "ph" else p for p in STRIP.pads)
    timed = with_timing(good_reading, msgspec.structs.replace(STRIP, pads=pads), 150.0)
    assert "late" not in timed.flags
    assert {p.analyte for p in timed.pads if "late" in p.flags} == {p.analyte for p in STRIP.pads} - {"ph"}


def test_a_time_is_held_against_the_camera_clock() -> None:
    at = datetime.fromisoformat(TAKEN) - timedelta(seconds=45)
    assert dip_from_text(at.isoformat()).elapsed_s(TAKEN) == 45.0
    assert Dip(seconds=45.0).elapsed_s(None) == 45.0
    assert dip_from_text(at.isoformat()).elapsed_s(None) is None, "without EXIF nobody knows"


@pytest.mark.parametrize(("taken", "flags"), [
    ("2031-05-04T09:30:00", ()), ("2031-05-04T11:34:00", ()), ("2031-05-04T11:36:00", ("time-future",)),
    ("2031-05-04T11:30:00+02:00", ()), ("2031-05-04T09:36:00+00:00", ("time-future",)),
    ("9998-12-31T23:59:59", ("time-future",)), ("1970-01-01T00:00:00", ("time-unknown",)),
    ("2021-05-01T00:00:00", ("time-unknown",)), (None, ("time-unknown",))])
def test_a_camera_clock_that_cannot_be_right_is_flagged(taken: str | None, flags: tuple[str, ...]) -> None:
    """Received at 9:30 UTC from a phone two hours east of Greenwich, whose clock may be five minutes ahead."""
    received, zone = datetime(2031, 5, 4, 9, 30, tzinfo=UTC), timezone(timedelta(hours=2))
    assert clock_flags(taken, received, zone) == flags
    assert (exposed(taken, received, zone) is None) == bool(flags)


def test_the_utc_offset_of_a_camera_does_not_change_the_time_since_the_dip() -> None:
    assert dip_from_text("2031-05-04T09:29:15").elapsed_s(f"{TAKEN}+02:00") == 45.0


def test_the_time_after_the_dip_is_recorded() -> None:
    assert with_timing(reading(), STRIP, 45.0).provenance.after_dip_s == 45.0


@pytest.mark.parametrize(("dip", "taken", "says"), [
    (Dip(at=datetime.fromisoformat("2031-05-04T09:31:00")), TAKEN, "does not belong"),
    (Dip(at=datetime.fromisoformat("2031-05-02T09:30:00")), TAKEN, "does not belong"),
    (Dip(seconds=-60.0), TAKEN, "does not belong"),
    (Dip(), TAKEN, "time of the dip is missing")])
def test_what_cannot_be_is_reported(dip: Dip, taken: str | None, says: str) -> None:
    with pytest.raises(InputError, match=says):
        dip.elapsed_s(taken)


@pytest.mark.parametrize("text", ["half past nine", "", "2031-05-04", "2031-05-04T09", "2031-05-04T09:30:00Z",
                                  "2031-05-04T09:30:00+02:00", "09:30:00", "2031-02-30T09:30:00"])
def test_a_text_that_is_no_local_time_is_reported(text: str) -> None:
    with pytest.raises(InputError, match="not a local time"):
        dip_from_text(text)


@pytest.mark.parametrize("text", ["2031-05-04T09:30:00", "2031-05-04 09:30", "2031-05-04T09:30:00.5",
                                  "20310504T093000"])
def test_local_times_of_iso_8601(text: str) -> None:
    at = dip_from_text(text).at
    assert at is not None
    assert at.replace(microsecond=0) == datetime.fromisoformat(TAKEN)
