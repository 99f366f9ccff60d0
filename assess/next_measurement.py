"""What would settle an undecided verdict: more strips, or a better measurement of what dominates the doubt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Final

import msgspec

from assess.decision import DecisionRule, PermittedRange
from assess.draws import GAS, MODEL
from assess.inputs.calcium import CALCIUM_FRACTION
from shared.analytes import input_name
from shared.estimate import Estimate
from shared.water import Vector

#: More strips than this nobody dips.
_MOST_STRIPS: Final = 10
#: Shares of doubt below this are left out.
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
    """A quantity's value and standard uncertainty before bounds and rule."""

    bounds: PermittedRange
    rule: DecisionRule
    value: float
    u: float

    def decided_at(self, variance_share: float) -> bool:
        """Whether the verdict would fall, the value staying, with so much of the variance left (0 to 1)."""
        p = self.bounds.normal_probability(self.value, self.u * sqrt(max(variance_share, 0.0)))
        return self.rule.verdict(p) != "undecided"


def uncertainty_shares(value: Vector, inputs: Mapping[str, Vector]) -> tuple[UncertaintyShare, ...]:
    """Inputs by their share of the quantity's variance, the greatest first: squared correlations, made one."""
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


def suggest_measurement(
    situation: Situation, doubts: tuple[UncertaintyShare, ...], estimates: Mapping[str, Estimate]
) -> str:
    """One sentence on how to come to a verdict, were the value to stay where it is."""
    strips = _strips(situation, doubts, estimates)
    if strips is not None:
        return f"About {strips} more strip{'s' if strips > 1 else ''} of the same sample would resolve it."
    measurements = _measurements(situation, doubts)
    if measurements:
        return f"Measure {' and '.join(_HOW.get(m, input_name(m)) for m in measurements)} more exactly."
    if doubts and doubts[0].input == MODEL:
        return "More measurements will not help: the thermodynamic data are too uncertain here. Inspect the boiler."
    return "The value is at the limit; further measurements are unlikely to resolve it. Treat it as at the limit."


def _strips(
    situation: Situation, doubts: tuple[UncertaintyShare, ...], estimates: Mapping[str, Estimate]
) -> int | None:
    """How many more strips, if their random part is what stands in the way."""
    random = sum(d.share * _random_share(estimates.get(d.input)) for d in doubts)
    if random == 0:
        return None
    return next((n - 1 for n in range(2, _MOST_STRIPS + 2)
                 if situation.decided_at(1 - random * (1 - 1 / n))), None)


def _random_share(estimate: Estimate | None) -> float:
    """The part of an estimate's variance that replicates shrink."""
    if estimate is None or not estimate.budget:
        return 0.0
    random, shared = estimate.u_random**2, estimate.u_shared**2
    return random / (random + shared) if random + shared > 0 else 0.0


def _measurements(situation: Situation, doubts: tuple[UncertaintyShare, ...]) -> tuple[str, ...]:
    """The fewest inputs, greatest doubt first, that settle it once they are known exactly."""
    left, chosen = 1.0, []
    for doubt in doubts:
        if doubt.input in (MODEL, GAS):
            continue
        left -= doubt.share
        chosen.append(doubt.input)
        if situation.decided_at(left):
            return tuple(chosen)
    return ()
