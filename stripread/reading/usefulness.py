"""The widest 95 % interval with which a value is of use: beyond it a pad has no result.

The printed scale of a tube gives by eye a field, whose neighbours differ by a factor of about two. An interval that is
wider than the value itself shows no more than that. For small values an interval must still separate what is treated
differently: soft from scaling water (30 from 90 mg/L of hardness or alkalinity), the two sides of the window of pH,
chloride and chlorine below and above usual limits of manufacturers. Common practice, no source.
"""

from __future__ import annotations

from calibration.scale import Scale
from calibration.value import PadValue

#: Widest interval by analyte: at small values, in the analyte's unit, and as a share of the value; the larger applies.
WIDEST: dict[str, tuple[float, float]] = {
    "hardness": (60.0, 1.0),
    "alkalinity": (60.0, 1.0),
    "ph": (1.0, 0.0),
    "chloride": (50.0, 1.0),
    "chlorine": (0.5, 1.0),
}
#: The same for other analytes: share of the chart's range, and of the value.
_OTHERS = (0.25, 1.0)


def widest(analyte: str, value: float, scale: Scale) -> float:
    """The widest useful interval of an analyte at a value, in its unit."""
    least, share = WIDEST.get(analyte, (_OTHERS[0] * (scale.high - scale.low), _OTHERS[1]))
    return max(least, share * value)


def is_useful(analyte: str, value: PadValue, scale: Scale) -> bool:
    """Whether the interval is narrow enough; bounds beyond the range and two values are stated as such."""
    if value.status != "measured" or value.others:
        return True
    return value.high - value.low <= widest(analyte, value.value, scale)
