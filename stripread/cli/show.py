"""A reading as text for a person and as a line of JSON for a program."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import msgspec

from shared.flags import FLAGS, in_order
from stripread.reading.result import Reading, Valued
from stripread.report.text import cells

if TYPE_CHECKING:
    from stripread.reading.combine import Combined


def as_json_line(reading: Reading) -> str:
    """The whole reading as one line of JSON."""
    return msgspec.json.encode(reading).decode()


def as_text(reading: Reading) -> str:
    """State, values with intervals, and what every flag means and asks for."""
    head = ", ".join(filter(None, (f"{reading.photo}: {reading.status}", reading.placed_by_hand)))
    if reading.status == "refused":
        return f"{head}. {reading.reason}"
    return "\n".join((head, *map(pad_line, reading.pads), *flag_lines(reading), *_ignored(reading)))


def _ignored(reading: Reading) -> Iterator[str]:
    if reading.provenance.ignored:
        yield f"  The file's metadata are partly invalid; ignored: {', '.join(reading.provenance.ignored)}."


def pad_line(pad: Valued) -> str:
    """Name, value, unit and interval in columns."""
    told = cells(pad)
    if pad.value is None:
        return f"  {told.name:16} no value. {pad.reason}"
    return f"  {told.name:16} {told.value:>10} {told.unit:11} ({told.interval})"


def flag_lines(reading: Reading | Combined) -> Iterator[str]:
    """What each flag means and asks for, and which pads it concerns."""
    of_pads = {flag for pad in reading.pads for flag in pad.flags}
    for flag in in_order({*reading.flags, *of_pads}):
        at = ", ".join(cells(p).name for p in reading.pads if flag in p.flags)
        yield f"  ! {flag}{f' ({at})' if at else ''}: {FLAGS[flag].words}"
