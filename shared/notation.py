"""Numbers and times as a reader wants them written: rounding, unit of values counted as CaCO3, decimal sign, time zone.

Values are rounded by their uncertainty (JCGM 100:2008, 7.2.6), or to significant digits.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, tzinfo
from functools import cache
from math import floor, log10
from typing import Final, Literal, get_args
from zoneinfo import ZoneInfo, available_timezones

import msgspec

from shared.errors import InputError
from shared.quantities import express

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


HardnessUnit = Literal["mg/L CaCO3", "°dH", "°fH", "°e", "gpg"]
HARDNESS_UNITS: Final[tuple[HardnessUnit, ...]] = get_args(HardnessUnit)
#: The unit in which the project stores such values.
_STORED: Final = HARDNESS_UNITS[0]

_NUMBER = r"\d+(?:\.\d+)?"
#: A quantity in a sentence, as "62.3 mg/L CaCO3 (58.1 to 66.9)" or "40 to 75 mg/L CaCO3"; its numbers are groups.
_QUANTITY = re.compile(rf"({_NUMBER})(?: to ({_NUMBER}))? {_STORED}(?: \(({_NUMBER}) to ({_NUMBER})\))?")
#: A number as it is typed.
_TYPED = re.compile(r"-?[0-9]{1,9}(?:\.[0-9]{1,9})?")
#: A decimal number that is not a part of a version, a section of a standard or a date.
_DECIMAL = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?!\w|\.\d)")
#: A date (ISO 8601) that is not a part of a time or of a name, as "2026-11-14-C2.jpg".
_DAY = re.compile(r"(?<![\w.-])([0-9]{4}-[0-9]{2}-[0-9]{2})(?![\w-]|\.\w)")


_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


class Notation(msgspec.Struct, frozen=True, kw_only=True):
    """``unit``: for values counted as CaCO3; ``comma``: decimal comma instead of a point.

    ``zone``: IANA name of the time zone in which times are shown; empty: not chosen, UTC.
    """

    unit: HardnessUnit = "mg/L CaCO3"
    comma: bool = False
    zone: str = ""

    def express(self, value: float, unit: str) -> float:
        """Return a value in ``unit`` in the unit that `unit_for` names."""
        return value * _factor(self.unit) if unit == _STORED else value

    def number(self, text: str, unit: str, where: str) -> float:
        """Return a number that a reader typed in the unit that `unit_for` names, in ``unit``. Raises InputError."""
        plain = text.strip().replace(",", ".") if self.comma else text.strip()
        if not _TYPED.fullmatch(plain):
            raise InputError("is not a number", where=where, found=repr(text[:40]),
                             allowed="digits, as 3,5" if self.comma else "digits, as 3.5")
        return float(plain) / self.express(1.0, unit)

    def unit_for(self, unit: str) -> str:
        """Return the unit in which values in ``unit`` are shown; a pH has none."""
        return "" if unit == "pH" else self.unit if unit == _STORED else unit

    def mark(self, numbers: str) -> str:
        """Return numbers as text with the decimal sign."""
        return numbers.replace(".", ",") if self.comma else numbers

    def prose(self, sentence: str) -> str:
        """Return a sentence with its dates, decimal numbers and quantities counted as CaCO3 in this notation."""
        sentence = _DAY.sub(self._day, sentence)
        if self.unit != _STORED:
            sentence = _QUANTITY.sub(self._quantity, sentence)
        return _DECIMAL.sub(r"\1,\2", sentence) if self.comma else sentence

    def local(self, moment: datetime) -> datetime:
        """Return a time in the reader's time zone."""
        return moment.astimezone(_zone(self.zone))

    def start_of(self, day: date) -> datetime:
        """Return the beginning of a day in the reader's time zone. Raises OverflowError near year 1 and 9999."""
        return datetime.combine(day, time(), _zone(self.zone)).astimezone(UTC)

    def day(self, moment: date) -> str:
        """Return a date, or the local date of a time, as "12 Nov 2026"."""
        local = self.local(moment) if isinstance(moment, datetime) else moment
        return f"{local.day} {_MONTHS[local.month - 1]} {local.year}"

    def moment(self, moment: datetime) -> str:
        """Return a time in the reader's time zone, as "12 Nov 2026, 09:38"."""
        return f"{self.day(moment)}, {self.local(moment):%H:%M}"

    def _day(self, match: re.Match[str]) -> str:
        try:
            return self.day(date.fromisoformat(match[1]))
        except ValueError:
            return match[1]

    def _quantity(self, match: re.Match[str]) -> str:
        first, last, low, high = (g and _as_precise(float(g) * _factor(self.unit), g) for g in match.groups())
        return (f"{first}{f' to {last}' if last else ''} {self.unit}"
                f"{f' ({low} to {high})' if low and high else ''}")


#: As values are stored, with a decimal point.
PLAIN: Final = Notation()


@cache
def time_zones() -> tuple[str, ...]:
    """Return the names of all time zones that this machine knows."""
    return tuple(sorted(available_timezones()))


@cache
def _zone(name: str) -> tzinfo:
    """Return a time zone; UTC for one that this machine does not know."""
    return ZoneInfo(name) if name in time_zones() else UTC


@cache
def _factor(unit: HardnessUnit) -> float:
    return express(1.0, "hardness", unit=unit)


def _as_precise(value: float, text: str) -> str:
    """A number with as many significant digits as ``text``, two at least."""
    digits = max(2, len(text.replace(".", "").lstrip("0")))
    return significant(value, digits)
