"""What to measure next: the unmeasured value that decides the treatment, or what would resolve a verdict."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist
from typing import Final

import msgspec
import numpy as np

from assess.decision import DecisionRule, PermittedRange
from assess.draws import GAS, MODEL
from assess.inputs.sample import ASSUMED, CALCIUM_FRACTION, Inputs, Sample
from assess.treatment.unit import LEVEL, Kind
from shared.analytes import input_name
from shared.errors import InputError
from shared.estimate import Estimate
from shared.water import Vector

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
        supposed = Estimate(analyte=analyte, value=value, low=value - half, high=value + half, unit=assumed.unit)
        yield msgspec.structs.replace(sample, estimates=(*sample.estimates, supposed))


def _changes(kind: Kind, recommend: Recommendation, samples: Iterator[Sample]) -> bool:
    return any(_kind(recommend, sample) not in (kind, None) for sample in samples)


def _kind(recommend: Recommendation, sample: Sample) -> Kind | None:
    """The kind; None where no water can have these values."""
    try:
        return recommend(sample)
    except InputError:
        return None


#: Most strips that are suggested.
_MOST_STRIPS: Final = 10
#: Shares of the variance below this are omitted.
_LEAST_SHARE: Final = 0.02
_HOW: Final = {
    CALCIUM_FRACTION: "calcium (titration or laboratory)",
    "hardness": "hardness (titration or laboratory)",
    "alkalinity": "alkalinity (titration or laboratory)",
    "ph": "pH (a calibrated meter, at the tap)",
    "chloride": "chloride (titration or laboratory)",
    "chlorine": "free chlorine (a colorimetric test at the tap)",
    "sulfate": "sulfate (laboratory)",
    "temperature": "the sample's temperature",
}


class UncertaintyShare(msgspec.Struct, frozen=True, kw_only=True):
    """An input and its share (0 to 1) of the variance of a quantity."""

    input: str
    share: float


@dataclass(frozen=True, slots=True)
class Situation:
    """A quantity's value and standard uncertainty, with bounds and rule."""

    bounds: PermittedRange
    rule: DecisionRule
    value: float
    u: float

    def decided_at(self, variance_share: float) -> bool:
        """Return whether there would be a verdict if this share of the variance (0 to 1) remained."""
        p = self.bounds.normal_probability(self.value, self.u * sqrt(max(variance_share, 0.0)))
        return self.rule.verdict(p) != "inconclusive"


def uncertainty_shares(value: Vector, inputs: Mapping[str, Vector]) -> tuple[UncertaintyShare, ...]:
    """Return inputs by their share of the quantity's variance, largest first: squared correlations, scaled to sum 1."""
    squares = {key: _squared_correlation(value, drawn) for key, drawn in inputs.items()}
    total = sum(squares.values())
    if total == 0:
        return ()
    shares = sorted(((s / total, key) for key, s in squares.items()), reverse=True)
    return tuple(UncertaintyShare(input=key, share=share) for share, key in shares if share >= _LEAST_SHARE)


def _squared_correlation(a: Vector, b: Vector) -> float:
    a, b = a - a.mean(), b - b.mean()
    norm = float((a @ a) * (b @ b))
    return float(a @ b) ** 2 / norm if norm > 0 else 0.0


#: Outcomes of a second strip that are simulated: quantiles of a standard normal distribution, evenly spaced.
_OUTCOMES: Final = np.array([NormalDist().inv_cdf((i + 0.5) / 200) for i in range(200)])


def second_strip(
    situation: Situation, draws: Vector, contributions: tuple[UncertaintyShare, ...], estimates: Mapping[str, Estimate]
) -> float | None:
    """Return the probability that a second strip gives a verdict; None where strips reduce nothing.

    Preposterior analysis (Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961): each outcome moves the
    ``draws`` of the quantity and narrows them, by the share of their variance that differs from strip to strip.
    """
    random = _strips_share(contributions, estimates)
    if random == 0:
        return None
    middle, moved = np.median(draws), _OUTCOMES * np.std(draws) * sqrt(random / 2)
    after = np.sort(middle + (draws - middle) * sqrt(1 - random / 2))
    least, most = situation.bounds.at_least, situation.bounds.at_most
    first = 0 if least is None else np.searchsorted(after, least - moved, side="left")
    last = after.size if most is None else np.searchsorted(after, most - moved, side="right")
    conforming = np.broadcast_to((last - first) / after.size, moved.shape)
    return float(np.mean([situation.rule.verdict(p) != "inconclusive" for p in conforming.tolist()]))


def suggest_measurement(
    situation: Situation, contributions: tuple[UncertaintyShare, ...], estimates: Mapping[str, Estimate]
) -> str:
    """Return one sentence on what would give a verdict if the value remained the same."""
    strips = _strips(situation, contributions, estimates)
    if strips is not None:
        return f"About {strips} more strip{'s' if strips > 1 else ''} of the same sample would resolve it."
    measurements = _measurements(situation, contributions)
    if measurements:
        return f"Measure {' and '.join(_HOW.get(m, input_name(m)) for m in measurements)} more exactly."
    if contributions and contributions[0].input == MODEL:
        return "More measurements will not help: the thermodynamic data are too uncertain here. Inspect the boiler."
    return "The value is at the limit; further measurements are unlikely to resolve it. Treat it as at the limit."


def _strips(
    situation: Situation, contributions: tuple[UncertaintyShare, ...], estimates: Mapping[str, Estimate]
) -> int | None:
    """Number of further strips, if the random part of the uncertainty prevents a verdict."""
    random = _strips_share(contributions, estimates)
    if random == 0:
        return None
    return next((n - 1 for n in range(2, _MOST_STRIPS + 2)
                 if situation.decided_at(1 - random * (1 - 1 / n))), None)


def _strips_share(contributions: tuple[UncertaintyShare, ...], estimates: Mapping[str, Estimate]) -> float:
    """Share of a quantity's variance that differs from strip to strip."""
    return sum(c.share * _random_share(estimates.get(c.input)) for c in contributions)


def _random_share(estimate: Estimate | None) -> float:
    """Share of an estimate's variance that replicates reduce."""
    if estimate is None or not estimate.budget:
        return 0.0
    random, shared = estimate.u_random**2, estimate.u_shared**2
    return random / (random + shared) if random + shared > 0 else 0.0


def _measurements(situation: Situation, contributions: tuple[UncertaintyShare, ...]) -> tuple[str, ...]:
    """The fewest inputs, largest contribution first, that would give a verdict if they were known exactly."""
    left, chosen = 1.0, []
    for each in contributions:
        if each.input in (MODEL, GAS):
            continue
        left -= each.share
        chosen.append(each.input)
        if situation.decided_at(left):
            return tuple(chosen)
    return ()
