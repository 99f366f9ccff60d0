"""The one place that writes a value with its interval for people: terminal, page, overlay, report and PDF.

The half-width of the interval is rounded to two significant digits, the value to the same place
(JCGM 100:2008, 7.2.6). Beyond an end of the range only the bound is known, and only the bound is written.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import MAXYEAR, datetime
from math import isfinite
from typing import Final, Protocol

from shared.estimate import Estimate, Status
from shared.notation import PLAIN, Notation, decimals_of, rounded, significant

#: Relative half-width below which an interval is only the rounding error of floating point.
_ROUNDING = 1e-9
#: Most decimals by unit: no field test of pH or chlorine resolves more (common practice, no source).
_FINEST: Final = {"pH": 2, "mg/L Cl2": 2}


class ValueWithInterval(Protocol):
    """Anything with a value and its 95 % interval."""

    @property
    def value(self) -> float:
        """The value."""

    @property
    def low(self) -> float:
        """The lower end of its interval."""

    @property
    def high(self) -> float:
        """The upper end."""


@dataclass(frozen=True, slots=True)
class FormattedValue:
    """A value in words. ``interval``: the text in parentheses after it, empty if there is none.

    ``beyond``: the value lies beyond the range; ``value`` is then the bound, ``interval`` the end of the range.
    """

    value: str
    interval: str
    unit: str
    beyond: bool = False

    @property
    def brief(self) -> str:
        """Value and interval without the unit, as "62.3 (58.1 to 66.9)"."""
        return f"{self.value} ({self.interval})" if self.interval else self.value


def written(
    x: ValueWithInterval, unit: str, *, status: Status = "measured", notation: Notation = PLAIN
) -> FormattedValue:
    """Return a value in ``unit`` as text: "62.3", "58.1 to 66.9"; beyond the range "at least 400"."""
    value, low, high = (notation.express(v, unit) for v in (x.value, x.low, x.high))
    shown = notation.unit_for(unit)
    if status == "below":
        return FormattedValue(notation.mark(f"at most {significant(high)}"),
                       notation.mark(f"below the range, which begins at {significant(value)}"), shown, beyond=True)
    if status == "above":
        return FormattedValue(notation.mark(f"at least {significant(low)}"),
                       notation.mark(f"above the range, which ends at {significant(value)}"), shown, beyond=True)
    number, *ends = (notation.mark(figure(v, low, high, finest=_FINEST.get(unit))) for v in (value, low, high))
    return FormattedValue(number, " to ".join(ends) if set(ends) != {number} else "", shown)


def figure(value: float, low: float, high: float, *, finest: int | None = None) -> str:
    """Return a number at the place its interval allows, at most ``finest`` decimals.

    Three digits where the interval has no width but rounding error.
    """
    half = (high - low) / 2
    if not (isfinite(half) and half > _ROUNDING * max(abs(low), abs(high))):
        return significant(value)
    places = decimals_of(half) if finest is None else min(decimals_of(half), finest)
    return "0" if float(rounded(max(abs(low), abs(high)), places)) == 0 else rounded(value, places)


@dataclass(frozen=True, slots=True)
class _Given:
    value: float
    low: float
    high: float


def format_value(value: float, *, low: float, high: float, unit: str, status: Status = "measured") -> str:
    """As "62.3 mg/L CaCO3 (58.1 to 66.9)"; beyond the range the bound, "at least 400 ..."; "pH" precedes its number."""
    text = written(_Given(value, low, high), unit, status=status)
    if unit == "pH":
        *bound, number = text.value.split()
        number = " ".join((*bound, "pH", number))
    else:
        number = f"{text.value} {text.unit}".strip()
    return f"{number} ({text.interval})" if text.interval else number


def format_estimate(estimate: Estimate) -> str:
    """An estimate as `format_value` writes it."""
    return format_value(estimate.value, low=estimate.low, high=estimate.high, unit=estimate.unit,
                        status=estimate.status)


def many(n: int, one: str) -> str:
    """As "1 reading" or "3 readings"."""
    return f"{n} {one}" if n == 1 else f"{n} {one}s"


#: Clocks that were never set start in 1970 or later. A year of margin at either end lets any time zone be applied.
EARLIEST_YEAR: Final = 1970
LATEST_YEAR: Final = MAXYEAR - 1


def moment_from_text(text: str) -> datetime | None:
    """The moment of an ISO 8601 text, with or without a time zone; None where it is not one, or out of range."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if EARLIEST_YEAR <= moment.year <= LATEST_YEAR else None
