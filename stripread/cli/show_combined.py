"""Combined replicates as text for a person and as a line of JSON, which `stripread assess` takes like a reading."""

from __future__ import annotations

import msgspec

from shared.analytes import ANALYTES
from stripread.cli.show import flag_lines, pad_line
from stripread.reading.combine import Combined


def as_json_line(combined: Combined) -> str:
    """All of it as one line of JSON."""
    return msgspec.json.encode(combined).decode()


def as_text(combined: Combined) -> str:
    """Joint values with intervals, whether the photographs agree, and which were left out."""
    if combined.status == "refused":
        return f"combined: refused. {combined.reason}"
    used, left = len(combined.provenance), len(combined.left_out)
    how = "one strip" if combined.same_strip else "a strip each"
    head = f"combined: {used} of {used + left} photograph{'s' if used + left > 1 else ''}, {how}"
    notes = [f"  ! {pad.note}" for pad in combined.pads if pad.note]
    outs = [f"  left out: {out.photo}. {out.why}" for out in combined.left_out]
    outs += [f"  left out of {ANALYTES[pad.analyte].name}: {out.photo}. {out.why}"
             for pad in combined.pads for out in pad.left_out]
    return "\n".join((head, *map(pad_line, combined.pads), *notes, *flag_lines(combined), *outs))
