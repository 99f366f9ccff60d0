"""The one place that writes a value with its interval for people.

The half-width of the interval is rounded to two significant digits, the value to the same place
(JCGM 100:2008, 7.2.6).
"""

from __future__ import annotations

from math import floor, isfinite, log10

from shared.estimate import Estimate, Status

#: Significant digits of a bound, or of a value without doubt to round by.
_BOUND_DIGITS = 3


def decimals_of(half_width: float) -> int:
    """Decimal places of a half-width at two significant digits; negative: tens, hundreds."""
    once = 1 - floor(log10(half_width))
    return 1 - floor(log10(round(half_width, once)))


def rounded(value: float, decimals: int) -> str:
    """A number at that many places, without a minus sign before zero."""
    return f"{round(value, decimals) + 0.0:.{max(0, decimals)}f}"


def format_value(value: float, *, low: float, high: float, unit: str, status: Status = "read") -> str:
    """As "62.3 mg/L CaCO3 (58.1 to 66.9)"; beyond the range the bound that holds, "at least 400 ..."."""
    if status == "below":
        return f"at most {_with_unit(_plain(high), unit)} (below the range, which begins at {_plain(value)})"
    if status == "above":
        return f"at least {_with_unit(_plain(low), unit)} (above the range, which ends at {_plain(value)})"
    half_width = (high - low) / 2
    if not isfinite(half_width) or half_width <= 0:
        return _with_unit(_plain(value), unit)
    places = decimals_of(half_width)
    return f"{_with_unit(rounded(value, places), unit)} ({rounded(low, places)} to {rounded(high, places)})"


def many(n: int, one: str) -> str:
    """As "1 reading" or "3 readings"."""
    return f"{n} {one}" if n == 1 else f"{n} {one}s"


def _plain(value: float) -> str:
    return f"{value:.{_BOUND_DIGITS}g}"


def _with_unit(number: str, unit: str) -> str:
    """Number and unit; only pH goes before its number."""
    return f"pH {number}" if unit == "pH" else f"{number} {unit}".strip()


def format_estimate(estimate: Estimate) -> str:
    """An estimate as `format_value` writes it."""
    return format_value(estimate.value, low=estimate.low, high=estimate.high, unit=estimate.unit,
                        status=estimate.status)
