"""Values, limits and probabilities as text, identical on the terminal, in the overlay and on the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from shared.analytes import ANALYTES
from shared.estimate import Measurement
from shared.notation import PLAIN, Notation, significant
from shared.text import written

Tone = Literal["", "good", "open", "bad", "soft"]


#: Placeholder for no result.
NO_VALUE = "-"


@dataclass(frozen=True, slots=True)
class ValueCells:
    """Name, value, interval and unit of one value, as in `shared.text.FormattedValue`."""

    name: str
    value: str
    interval: str
    unit: str
    beyond: bool = False

    @property
    def sentence(self) -> str:
        """Name, value, unit and interval in one line."""
        interval = f"({self.interval})" if self.interval else ""
        return " ".join(part for part in (f"{self.name}:", self.value, self.unit, interval) if part)


def cells(pad: Measurement, notation: Notation = PLAIN) -> ValueCells:
    """Return the cells of one pad, rounded to its interval."""
    name, estimate = ANALYTES[pad.analyte].name, pad.estimate()
    if estimate is None:
        return ValueCells(name, NO_VALUE, "", notation.unit_for(pad.unit))
    text = written(estimate, pad.unit, status=pad.status, notation=notation)
    return ValueCells(name, text.value, text.interval, text.unit, text.beyond)


def bound(value: float, unit: str, notation: Notation = PLAIN, *, digits: int = 6) -> str:
    """Return a number in ``unit`` without an interval, such as a limit: ``digits`` digits, three if converted."""
    same = notation.unit_for(unit) in ("", unit)
    return notation.mark(significant(notation.express(value, unit), digits if same else min(digits, 3)))


def permitted(at_least: float | None, at_most: float | None, unit: str = "", notation: Notation = PLAIN) -> str:
    """Return the permitted range, as "40 to 90"; one of the two bounds may be None."""
    low, high = (None if b is None else bound(b, unit, notation) for b in (at_least, at_most))
    if low and high:
        return f"{low} to {high}"
    return f"at least {low}" if low else f"at most {high}"


def percentage(probability: float) -> str:
    """Return a probability in percent, never stated as certain."""
    return "<1 %" if probability < 0.01 else ">99 %" if probability > 0.99 else f"{100 * probability:.0f} %"
