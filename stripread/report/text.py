"""Values, limits and probabilities in words, the same on the terminal, in the overlay and on the page."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from shared.analytes import ANALYTES
from shared.text import decimals_of, rounded
from stripread.reading.result import Valued

#: What stands where there is no value.
NO_VALUE = "-"


@dataclass(frozen=True, slots=True)
class Cells:
    """Name, value, 95 % interval and unit; interval and unit are empty where there is none to tell."""

    name: str
    value: str
    interval: str
    unit: str

    @property
    def sentence(self) -> str:
        """All of them in a row."""
        interval = f"({self.interval})" if self.interval else ""
        return " ".join(part for part in (f"{self.name}:", self.value, self.unit, interval) if part)


def figure(value: float, low: float, high: float) -> str:
    """A number at the place its interval allows; three digits where the interval has no width."""
    half = (high - low) / 2
    return rounded(value, decimals_of(half)) if 0 < half < inf else f"{value:.3g}"


def permitted(at_least: float | None, at_most: float | None) -> str:
    """The values a limit permits, as "40 to 90"; of the two bounds one may be missing."""
    if at_least is not None and at_most is not None:
        return f"{at_least:g} to {at_most:g}"
    return f"at least {at_least:g}" if at_least is not None else f"at most {at_most:g}"


def percentage(probability: float) -> str:
    """A probability that never claims to be certain."""
    return "<1 %" if probability < 0.01 else ">99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def cells(pad: Valued) -> Cells:
    """The cells of one pad, rounded as its interval allows."""
    name = ANALYTES[pad.analyte].name
    unit = "" if pad.analyte == "ph" else pad.unit
    if pad.value is None or pad.low is None or pad.high is None:
        return Cells(name, NO_VALUE, "", unit)
    value, low, high = (figure(v, pad.low, pad.high) for v in (pad.value, pad.low, pad.high))
    bound = f"{pad.status} " if pad.status in ("below", "above") else ""
    return Cells(name, bound + value, f"{low} to {high}", unit)
