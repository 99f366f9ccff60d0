"""Values as a person wants them written: in the unit they prefer, with their decimal mark, rounded as always."""

from __future__ import annotations

from dataclasses import replace

import msgspec

from shared.quantities import express
from shared.spelling import AS_CACO3
from stripread.reading.result import Valued
from stripread.report.text import Cells, cells
from stripread.web.preferences import Preferences


def told(pad: Valued, preferences: Preferences) -> Cells:
    """The cells of one value."""
    found = cells(in_unit(pad, preferences))
    return replace(found, value=marked(found.value, preferences), interval=marked(found.interval, preferences))


def in_unit(pad: Valued, preferences: Preferences) -> Valued:
    """Hardness and alkalinity in the unit preferred; all others as they are."""
    if pad.analyte not in AS_CACO3 or preferences.unit == pad.unit:
        return pad
    bounds = {name: None if value is None else express(value, pad.analyte, unit=preferences.unit)
              for name, value in (("value", pad.value), ("low", pad.low), ("high", pad.high))}
    return msgspec.structs.replace(pad, unit=preferences.unit, **bounds)


def marked(number: str, preferences: Preferences) -> str:
    """A number's text with the decimal mark preferred."""
    return number.replace(".", ",") if preferences.comma else number
