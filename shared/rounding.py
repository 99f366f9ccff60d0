"""Numbers as text: rounded by their uncertainty (JCGM 100:2008, 7.2.6), or to significant digits."""

from __future__ import annotations

from math import floor, log10

#: Decimal places beyond which nothing is written.
_FINEST = 12


def decimals_of(half_width: float) -> int:
    """Decimal places of a half-width at two significant digits; negative: tens, hundreds."""
    once = 1 - floor(log10(half_width))
    return 1 - floor(log10(round(half_width, once)))


def rounded(value: float, decimals: int) -> str:
    """Return a number at that many places, without a minus sign before zero."""
    return f"{round(value, decimals) + 0.0:.{max(0, decimals)}f}"


def significant(value: float, digits: int = 3) -> str:
    """Return a number to that many significant digits, as "0.05", "62.3" or "3500": never with an exponent."""
    text = f"{float(f'{value:.{digits}g}') + 0.0:.{_FINEST}f}"
    return text.rstrip("0").rstrip(".")
