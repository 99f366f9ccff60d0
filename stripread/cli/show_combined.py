"""Combined replicates as text for a person and as a line of JSON, which `stripread assess` takes like a reading."""

from __future__ import annotations

import msgspec

from stripread.cli.show import flag_lines, pad_line
from stripread.reading.combine import Combined
from stripread.report.page import JointSheet


def as_json_line(combined: Combined) -> str:
    """All of it as one line of JSON."""
    return msgspec.json.encode(combined).decode()


def as_text(combined: Combined) -> str:
    """Joint values with intervals, whether the photographs agree, and which were left out."""
    if combined.status == "refused":
        return f"combined: refused. {combined.reason}"
    sheet = JointSheet(combined)
    notes = [f"  ! {note}" for note in sheet.notes]
    outs = [f"  left out{f' of {of}' if of else ''}: {photo}. {why}" for photo, of, why in sheet.left_out]
    return "\n".join((f"combined: {sheet.title}", *map(pad_line, combined.pads), *notes, *flag_lines(combined), *outs))
