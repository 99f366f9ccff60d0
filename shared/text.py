"""The one place that writes a value with its interval for people.

The half-width of the interval is rounded to two significant digits, the value to the same place
(JCGM 100:2008, 7.2.6).
"""

from __future__ import annotations

from math import floor, isfinite, log10

from shared.estimate import Estimate, Status

#: Digits shown where there is no doubt to round by.
_EXACT_DIGITS = 6


def decimals_of(half_width: float) -> int:
    """Decimal places of a half-width at two significant digits; negative: tens, hundreds."""
    once = 1 - floor(log10(half_width))
    return 1 - floor(log10(round(half_width, once)))


def rounded(value: float, decimals: int) -> str:
    """A number at that many places, without a minus sign before zero."""
    return f"{round(value, decimals) + 0.0:.{max(0, decimals)}f}"


def format_value(value: float, *, low: float, high: float, unit: str, status: Status = "read") -> str:
    """As "62.3 mg/L CaCO3 (58.1 to 66.9)"; at an end of the range as "below 10 mg/L CaCO3"."""
    half_width = (high - low) / 2
    if not isfinite(half_width) or half_width <= 0:
        return f"{value:.{_EXACT_DIGITS}g} {unit}".strip()
    places = decimals_of(half_width)
    if status in ("below", "above"):
        return f"{status} {rounded(value, places)} {unit}".strip()
    low_text, high_text = rounded(low, places), rounded(high, places)
    if unit == "pH":
        return f"pH {rounded(value, places)} ({low_text} to {high_text})"
    return f"{rounded(value, places)} {unit} ({low_text} to {high_text})"


def format_estimate(estimate: Estimate) -> str:
    """An estimate as `format_value` writes it."""
    return format_value(estimate.value, low=estimate.low, high=estimate.high, unit=estimate.unit,
                        status=estimate.status)
