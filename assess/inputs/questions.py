"""Questions about values that are possible but look mistyped or misread; values are never changed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from assess.draws import DrawnFeed
from assess.inputs.sample import Inputs, Sample
from shared.analytes import input_name
from shared.errors import InputError
from shared.estimate import Estimate
from shared.notation import significant
from shared.quantities import convert

#: A value typed in mg/L below this, with the other value many times higher, was probably read in degrees.
_MOST_DEGREES: Final = 30.0
_MANY_TIMES: Final = 3.0
#: mg/L of sulfate that missing anions would make, above what drinking water contains (40 CFR 143.3: 250 mg/L).
_MOST_SULFATE: Final = 250.0
#: Charge imbalance (%), beyond the uncertainty of the values, that leads to a question; and to an error.
_TOLD_PERCENT: Final = 10.0
_REFUSED_PERCENT: Final = 50.0


def questions(sample: Sample, inputs: Inputs, drawn: DrawnFeed) -> tuple[str, ...]:
    """Return what to ask the person who entered the values. Raises InputError for an impossible charge balance."""
    return (*_degrees(sample), *_charge(inputs, drawn))


def _degrees(sample: Sample) -> Iterator[str]:
    """Whether °dH was typed as mg/L: the other value, or the conductivity, contradicts the value."""
    if sample.origin == "strip":
        return
    for analyte, other in (("hardness", "alkalinity"), ("alkalinity", "hardness")):
        this, that = sample.get(analyte), sample.get(other)
        if this is not None and 0 < this.value < _MOST_DEGREES and _unbelieved(this, that, sample):
            number = significant(this.value)
            yield (f"Is the {input_name(analyte)} really {number} mg/L CaCO3? If it was read in °dH, enter it in °dH: "
                   f"{number} °dH is {convert(this.value, analyte, unit='°dH'):.0f} mg/L CaCO3.")


def _unbelieved(this: Estimate, that: Estimate | None, sample: Sample) -> bool:
    ec = sample.get("conductivity")
    if ec is not None:
        # About 2 µS/cm for each mg/L CaCO3 of hardness (Standard Methods 2510: 1 meq/L is about 100 µS/cm).
        return ec.value > 2 * 2.0 * max(this.value, that.value if that else 0.0) + 50
    return that is not None and (that.value > _MANY_TIMES * this.value or that.value < _MOST_DEGREES)


def _charge(inputs: Inputs, drawn: DrawnFeed) -> Iterator[str]:
    anions_known, cations_known = "sulfate" in inputs.measured, "sodium" in inputs.measured
    low, percent, high = (float(q) for q in np.quantile(drawn.charge_percent, (0.025, 0.5, 0.975)))
    if (anions_known and low > _TOLD_PERCENT) or (cations_known and high < -_TOLD_PERCENT):
        if abs(percent) > _REFUSED_PERCENT:
            raise _impossible(percent)
        yield (f"The charges do not balance: {'cations' if percent > 0 else 'anions'} exceed by {abs(percent):.0f} % "
               "(Standard Methods 1030 E allows a few percent). Measure again, or enter the ion that is missing.")
    sulfate = float(np.quantile(drawn.feed.water.sulfate_mg_l, 0.025))
    if not anions_known and sulfate > _MOST_SULFATE:
        yield (f"Hardness exceeds alkalinity and chloride by so much that the water would contain at least "
               f"{sulfate:.0f} mg/L sulfate (or nitrate). Is one of the three values misread?")


def _impossible(percent: float) -> InputError:
    return InputError("the charges of the ions do not balance", where="the analysis",
                      found=f"{'cations' if percent > 0 else 'anions'} exceed by {abs(percent):.0f} %",
                      allowed="cations and anions equal within some percent (Standard Methods 1030 E)",
                      remedy="check every value and its unit")
