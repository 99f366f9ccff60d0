"""Values, limits and probabilities as text, identical on the terminal, in the overlay and on the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from shared.analytes import ANALYTES
from shared.estimate import Measurement
from shared.notation import PLAIN, Notation, significant
from shared.text import many, written
from stripread.reading.combine import CombinedReading
from stripread.reading.context import UNLIKE_CHART
from stripread.reading.result import Reading

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


def flag_detail(flag: str, reading: Reading | CombinedReading) -> str:
    """Return what a reading adds to the meaning of its flag: by which strips it is unlike the chart; else ""."""
    if flag != UNLIKE_CHART or reading.dye is None:
        return ""
    if isinstance(reading, CombinedReading):
        return f"Its photographs together show {_of_dye(reading.dye.difference)}."
    sequence, earlier = reading.sequence, reading.earlier_strips
    if sequence is None or earlier is None:
        return f"This strip has {_of_dye(reading.dye.difference)}."
    of = f"of tube {sequence.tube}" if sequence.tube else "of this batch and technician"
    if sequence.unlike:
        return f"The latest {sequence.strips} strips {of} together have {_of_dye(sequence.difference)}."
    others = f"{many(earlier.strips, 'earlier strip')} {of}: {_of_dye(earlier.difference)}, which is within the error"
    return f"This strip alone has {_of_dye(reading.dye.difference)} ({others})."


def _of_dye(difference: float) -> str:
    return f"{100 * abs(difference):.0f} % {'less' if difference < 0 else 'more'} dye than the chart's strips"
