"""What is known of a reading besides its photograph: time after the dip, state of the chart, earlier strips.

Pads go on changing after the strip's reading time.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Final

import msgspec

from calibration.common_effects import StripSequence
from shared.errors import InputError
from shared.flags import FLAGS, in_order
from shared.strip import Pad, StripType
from shared.text import moment_from_text
from stripread.reading.result import Reading

#: Cameras note the time to the second, people the dip to about one more.
CLOCK_S = 2.0
#: A photograph taken longer after the dip than this was not timed by this dip.
LONGEST_S = 24 * 3600.0
#: Clocks of phone and computer may differ by this without a flag.
AHEAD = timedelta(minutes=5)
#: A time further than this before receipt comes from a camera whose clock was never set.
LONGEST_BEFORE_RECEIPT = timedelta(days=10 * 365)
#: Message where a dip is given and the photograph has no time of exposure.
UNKNOWN_EXPOSURE = ("the file has no time of exposure (EXIF DateTimeOriginal), so the time since the dip is not known; "
                    "give --dipped-seconds-ago instead")
#: How a time of day ends that states hours and minutes, with or without seconds and colons.
_TO_THE_MINUTE = re.compile(r"\d:?\d\d(\.\d+)?$")


@dataclass(frozen=True, slots=True)
class Dip:
    """When the strip was dipped: a local time, or ``seconds`` before the photograph."""

    at: datetime | None = None
    seconds: float | None = None

    def elapsed_s(self, taken: str | None) -> float | None:
        """Seconds from dip to exposure (``taken``, local time), None where that is not known. Raises InputError."""
        if self.seconds is not None:
            return _possible(self.seconds, "seconds since the dip", f"{self.seconds:g} s")
        if self.at is None:
            raise InputError("the time of the dip is missing", where="timing",
                             allowed="a time, or seconds before the photograph")
        if taken is None:
            return None
        elapsed = datetime.fromisoformat(taken).replace(tzinfo=None) - self.at
        return _possible(elapsed.total_seconds(), "time of the dip",
                         f"dipped {self.at.isoformat()}, photographed {taken}")


def dip_from_text(text: str) -> Dip:
    """A dip at a local time, ISO 8601 (``2031-05-04T09:30:00``). Raises InputError."""
    at = moment_from_text(text)
    if at is None or at.tzinfo is not None or not _TO_THE_MINUTE.search(text[10:]):
        raise InputError("is not a local time", where="time of the dip", found=text,
                         allowed="date and time of the phone's clock, no time zone, as in 2031-05-04T09:30:00")
    return Dip(at=at)


def exposed(taken: str | None, received: datetime, zone: tzinfo | None = None) -> datetime | None:
    """Return the moment of exposure; None where the camera's clock shows none, or one that is not possible.

    ``taken`` as the camera wrote it; without a UTC offset it is a time in ``zone``, by default this machine's.
    """
    return None if clock_flags(taken, received, zone) else _moment(taken or "", zone)


def clock_flags(taken: str | None, received: datetime, zone: tzinfo | None = None) -> tuple[str, ...]:
    """Return ``time-unknown`` or ``time-future`` for a photograph without a usable time of exposure, else nothing."""
    if taken is None:
        return ("time-unknown",)
    moment = _moment(taken, zone)
    if moment > received + AHEAD:
        return ("time-future",)
    return () if moment > received - LONGEST_BEFORE_RECEIPT else ("time-unknown",)


def _moment(taken: str, zone: tzinfo | None) -> datetime:
    moment = datetime.fromisoformat(taken)
    return moment if moment.tzinfo else moment.replace(tzinfo=zone) if zone else moment.astimezone()


def _possible(elapsed: float, where: str, found: str) -> float:
    if not -CLOCK_S <= elapsed <= LONGEST_S:
        raise InputError("the dip does not belong to this photograph", where=where, found=found,
                         allowed="a dip before the photograph, on the same day",
                         remedy="check the clock of the phone and the time of the dip").of_field("dipped")
    return elapsed


def with_timing(reading: Reading, strip: StripType, elapsed_s: float) -> Reading:
    """The reading with its time after the dip, and ``early`` or ``late``: of all pads, or on those it concerns."""
    reading = msgspec.structs.replace(
        reading, provenance=msgspec.structs.replace(reading.provenance, after_dip_s=elapsed_s))
    flags = [_flag(strip, strip.pad(p.analyte), elapsed_s) for p in reading.pads] or [
        _flag(strip, p, elapsed_s) for p in strip.pads]
    if len(set(flags)) == 1:
        return msgspec.structs.replace(reading, flags=in_order({*reading.flags, *filter(None, flags[:1])}))
    pads = tuple(msgspec.structs.replace(p, flags=in_order({*p.flags, f})) if f else p
                 for p, f in zip(reading.pads, flags, strict=True))
    return msgspec.structs.replace(reading, pads=pads)


def _flag(strip: StripType, pad: Pad, elapsed_s: float) -> str:
    after, before = strip.window_s(pad)
    if elapsed_s < after - CLOCK_S:
        return "early"
    return "late" if elapsed_s > before + CLOCK_S else ""


def with_status_flags(
    reading: Reading, chart_state: Iterable[str], *, phones: AbstractSet[str] | None = None
) -> Reading:
    """The reading with the flags of its chart's state, and of its phone.

    ``chart_state``: flag ids as `calibration.release.state_of` gives them. ``phones``: camera models (EXIF make
    and model) that a check standard has been read with; None without such a list. A photograph that does not contain
    its model gets no flag.
    """
    flags = set(chart_state)
    others = {f for f in flags if f not in FLAGS or FLAGS[f].scope != "state"}
    if others:
        raise ValueError(f"these are not flags of a state: {', '.join(sorted(others))}")
    if phones is not None and reading.provenance.camera is not None and reading.provenance.camera not in phones:
        flags.add("phone-new")
    return msgspec.structs.replace(reading, flags=in_order({*reading.flags, *flags}))


#: The flag of a strip whose dye differs from the chart's: alone, or together with others.
UNLIKE_CHART: Final = "strip-unlike-chart"


def with_earlier_strips(reading: Reading, earlier: StripSequence | None) -> Reading:
    """The reading with its strip judged alone and together with the ``earlier`` ones of its tube."""
    judged = msgspec.structs.replace(reading, earlier_strips=earlier)
    unlike = judged.unlike_alone or (judged.sequence is not None and judged.sequence.unlike)
    others = {*reading.flags} - {UNLIKE_CHART}
    return msgspec.structs.replace(judged, flags=in_order({*others, UNLIKE_CHART} if unlike else others))
