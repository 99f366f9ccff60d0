"""What is known beside the photograph: the chart's release and the phone, as flags of the reading."""

from __future__ import annotations

from collections.abc import Iterable
from collections.abc import Set as AbstractSet

import msgspec

from shared.flags import FLAGS, in_order
from stripread.reading.result import Reading


def with_state(reading: Reading, chart_state: Iterable[str], *, phones: AbstractSet[str] | None = None) -> Reading:
    """The reading with the flags of its chart's state, and of its phone.

    ``chart_state``: flag ids as `calibration.release.state_of` gives them. ``phones``: camera models (EXIF make
    and model) that a check standard has been read with; None where nobody keeps such a list.
    """
    flags = set(chart_state)
    strange = {f for f in flags if f not in FLAGS or FLAGS[f].scope != "state"}
    if strange:
        raise ValueError(f"these are no flags of a state: {', '.join(sorted(strange))}")
    if phones is not None and reading.provenance.camera not in phones:
        flags.add("phone-new")
    return msgspec.structs.replace(reading, flags=in_order({*reading.flags, *flags}))
