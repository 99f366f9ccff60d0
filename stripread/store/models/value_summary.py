"""Summary of a reading's values, stored in a column of its table, for lists and trends over many readings."""

from __future__ import annotations

from math import sqrt

import msgspec

from shared.decoders import from_json
from shared.estimate import Estimate, Measurement, Status
from stripread.reading.combine import SAME_PARTS
from stripread.reading.result import Reading


class ValueSummary(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A value with its 95 % interval, in the analyte's unit, to six digits.

    ``u_same``: standard uncertainty of the components shared by all readings on the same chart.
    """

    analyte: str
    status: Status
    value: float
    low: float
    high: float
    u_same: float


def encode_summary(reading: Reading) -> str:
    """Return the values of all pads with a result, as text."""
    return msgspec.json.encode([b for pad in reading.pads if (b := summarise_value(pad)) is not None]).decode()


def decode_summary(text: str) -> tuple[ValueSummary, ...]:
    """Return the values that `encode_summary` encoded."""
    return from_json(text, tuple[ValueSummary, ...])


def summarise_value(pad: Measurement | Estimate) -> ValueSummary | None:
    """Return the summary of a value, or None if there is no value."""
    if pad.value is None or pad.low is None or pad.high is None:
        return None
    same = sqrt(sum(part.u**2 for part in pad.budget if part.name in SAME_PARTS))
    return ValueSummary(pad.analyte, pad.status, *(float(f"{x:.6g}") for x in (pad.value, pad.low, pad.high, same)))
