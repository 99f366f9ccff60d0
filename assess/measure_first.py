"""Which unmeasured value decides the treatment: the choice is repeated near both ends of what is assumed for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

import msgspec

from assess.inputs.sample import ASSUMED, Inputs, Sample
from assess.treatment.unit import LEVEL, Kind
from shared.errors import InputError
from shared.estimate import Estimate

#: Analytes that can decide between kinds of treatment, the one that most often does first.
_DECIDING: Final = ("alkalinity", "hardness", "chloride", "ph", "chlorine")
#: Share of the assumed interval, from its value to either end, at which the choice is repeated.
_TRIED: Final = 0.8
#: Relative half-width of the interval of a tried value.
_HALF_WIDTH: Final = 0.05

#: The kind of treatment that would be recommended for a sample.
Recommendation = Callable[[Sample], Kind]


def measure_first(sample: Sample, inputs: Inputs, kind: Kind, recommend: Recommendation) -> str | None:
    """Return the unmeasured analyte that would change the recommendation from ``kind``; None where none would.

    A filter or less is recommended without asking: it suits every water.
    """
    if LEVEL[kind] <= LEVEL["softener-bypass"]:
        return None
    for analyte in _DECIDING:
        if analyte not in inputs.measured and _changes(kind, recommend, _tried(sample, analyte)):
            return analyte
    return None


def _tried(sample: Sample, analyte: str) -> Iterator[Sample]:
    """The sample as if the analyte had been measured, low and high."""
    assumed = ASSUMED[analyte].estimate
    for end in (assumed.low, assumed.high):
        value = assumed.value + _TRIED * (end - assumed.value)
        half = _HALF_WIDTH * value
        found = Estimate(analyte=analyte, value=value, low=value - half, high=value + half, unit=assumed.unit)
        yield msgspec.structs.replace(sample, estimates=(*sample.estimates, found))


def _changes(kind: Kind, recommend: Recommendation, samples: Iterator[Sample]) -> bool:
    return any(_kind(recommend, sample) not in (kind, None) for sample in samples)


def _kind(recommend: Recommendation, sample: Sample) -> Kind | None:
    """The kind; None where no water can have these values."""
    try:
        return recommend(sample)
    except InputError:
        return None
