"""A reading, or the joint result of several, as text and as a line of JSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain
from typing import TYPE_CHECKING

import msgspec

from shared.estimate import Measurement
from shared.flags import FLAGS, in_order
from stripread.cli.output import filled
from stripread.reading.result import Reading
from stripread.report.text import cells

if TYPE_CHECKING:
    from stripread.reading.combine import CombinedReading


def as_json_line(reading: Reading) -> bytes:
    """Return the whole reading as one line of JSON."""
    return msgspec.json.encode(reading)


def as_text(reading: Reading) -> str:
    """Return status, values with intervals, and the meaning and corrective action of each flag."""
    status = "no result" if reading.status == "no-result" else "measured"
    head = ", ".join(filter(None, (f"{reading.photo}: {status}", reading.placed_by_hand)))
    if reading.status == "no-result":
        return _fitted((f"{head}. {reading.reason}",))
    return _fitted((head, *map(pad_line, reading.pads), *flag_lines(reading), *_ignored(reading)))


def _fitted(lines: Iterable[str]) -> str:
    return "\n".join(chain.from_iterable(map(filled, lines)))


def _ignored(reading: Reading) -> Iterator[str]:
    if reading.provenance.ignored:
        yield f"  The file's metadata are partly invalid; ignored: {', '.join(reading.provenance.ignored)}."


def pad_line(pad: Measurement) -> str:
    """Return name, value, unit and interval in columns."""
    text = cells(pad)
    if pad.value is None:
        return f"  {text.name:16} no result. {pad.reason}"
    return f"  {text.name:16} {text.value:>10} {text.unit:11} ({text.interval})"


def flag_lines(reading: Reading | CombinedReading) -> Iterator[str]:
    """Yield the meaning and corrective action of each flag, and which pads it concerns."""
    of_pads = {flag for pad in reading.pads for flag in pad.flags}
    for flag in in_order({*reading.flags, *of_pads}):
        at = ", ".join(cells(p).name for p in reading.pads if flag in p.flags)
        yield f"  ! {flag}{f' ({at})' if at else ''}: {FLAGS[flag].words}"


def joint_json(combined: CombinedReading) -> bytes:
    """Return a joint result as one line of JSON, which `stripread assess` takes like a reading."""
    return msgspec.json.encode(combined)


def joint_text(combined: CombinedReading) -> str:
    """Return joint values with intervals, whether the photographs agree, and which were excluded."""
    from stripread.report.page import JointSheet

    if combined.status == "no-result":
        return _fitted((f"combined: no result. {combined.reason}",))
    sheet = JointSheet(combined)
    notes = [f"  ! {note}" for note in sheet.notes]
    outs = [f"  excluded{f' of {of}' if of else ''}: {photo}. {why}" for photo, of, why in sheet.left_out]
    return _fitted((f"combined: {sheet.title}", *map(pad_line, combined.pads), *notes, *flag_lines(combined), *outs))
