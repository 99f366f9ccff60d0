"""What a reading's values are in brief: kept beside it in its table, for lists and trends over many readings."""

from __future__ import annotations

from math import sqrt

import msgspec

from shared.decoders import from_json
from shared.estimate import Estimate, Status
from stripread.reading.combine import SAME_PARTS
from stripread.reading.result import Reading, Valued


class ValueSummary(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One value with its 95 % interval, in the analyte's own unit, to six digits.

    ``u_same``: standard uncertainty of what all readings on the same chart have in common.
    """

    analyte: str
    status: Status
    value: float
    low: float
    high: float
    u_same: float


def encode_summary(reading: Reading) -> str:
    """The values of all pads that were not refused, as text."""
    return msgspec.json.encode([b for pad in reading.pads if (b := summarise_value(pad)) is not None]).decode()


def decode_summary(text: str) -> tuple[ValueSummary, ...]:
    """The values that `encode_summary` wrote."""
    return from_json(text, tuple[ValueSummary, ...])


def summarise_value(pad: Valued | Estimate) -> ValueSummary | None:
    """A value in brief; None where there is none."""
    if pad.value is None or pad.low is None or pad.high is None:
        return None
    same = sqrt(sum(part.u**2 for part in pad.budget if part.name in SAME_PARTS))
    return ValueSummary(pad.analyte, pad.status, *(float(f"{x:.6g}") for x in (pad.value, pad.low, pad.high, same)))
