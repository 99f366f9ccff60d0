"""Criteria judged on drawn waters: value, interval, probability, verdict, and where the doubt comes from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from assess.criteria.criterion import Criterion
from assess.decision import VERDICTS, DecisionRule, Verdict
from assess.draws import Drawn
from assess.inputs.sample import Inputs
from assess.inputs.words import at_start, in_words
from assess.limits import SEVERITIES, Limit, Severity
from assess.resolve import Doubt, Situation, shares_of_doubt, what_decides
from shared.water import Vector


class Judgement(msgspec.Struct, frozen=True, kw_only=True):
    """One criterion's outcome. ``low`` to ``high`` is the 95 % interval of the quantity, in the limit's unit.

    ``probability`` that the limit holds; ``not_measured``: inputs that were only assumed, without which there
    is no verdict but undecided; ``decides``: what would settle an undecided one.
    """

    id: str
    name: str
    place: str
    limit: Limit
    value: float
    low: float
    high: float
    probability: float
    verdict: Verdict
    reason: str
    not_measured: tuple[str, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    decides: str = ""

    @property
    def severity(self) -> Severity:
        """What breaking it costs."""
        return self.limit.severity


@dataclass(frozen=True, slots=True)
class Judge:
    """Judges by one rule, knowing what was measured and what only assumed."""

    rule: DecisionRule
    inputs: Inputs

    def judge(self, criteria: Iterable[Criterion], drawn: Drawn) -> tuple[Judgement, ...]:
        """Every criterion with all that can be told of it."""
        return tuple(self._one(c, drawn) for c in criteria)

    def _one(self, criterion: Criterion, drawn: Drawn) -> Judgement:
        value = criterion.quantity(drawn.feed)
        plain = self.outcome(criterion, value, criterion.holds(drawn.feed, value))
        doubts = shares_of_doubt(value, drawn.inputs)
        if plain.verdict != "undecided":
            return msgspec.structs.replace(plain, doubts=doubts)
        situation = Situation(criterion.bounds, self.rule, value=plain.value, u=float(np.std(value)))
        decides = (f"{_listed(plain.not_measured)} not measured: read it." if plain.not_measured
                   else what_decides(situation, doubts, self.inputs.estimates))
        return msgspec.structs.replace(plain, doubts=doubts, decides=decides)

    def outcome(self, criterion: Criterion, value: Vector, holds: NDArray[np.bool_]) -> Judgement:
        """Value, interval, probability and verdict alone, from the draws (n,) of the quantity."""
        probability = float(np.mean(holds))
        low, middle, high = (float(q) for q in np.quantile(value, (0.025, 0.5, 0.975)))
        # What a treatment takes out altogether need not have been measured.
        missing = tuple(sorted(set(criterion.measure.needs) - self.inputs.measured)) if high > low else ()
        verdict = "undecided" if missing else self.rule.verdict(probability)
        return Judgement(
            id=criterion.id, name=criterion.name, limit=criterion.limit, not_measured=missing,
            place="" if criterion.boiler is None else criterion.boiler.name, value=middle, low=low, high=high,
            probability=probability, verdict=verdict, reason=_reason(criterion, middle, verdict))


def worst(judgements: Iterable[Judgement]) -> dict[Severity, Verdict]:
    """The worst verdict of each severity that was judged."""
    found: dict[Severity, Verdict] = {}
    for j in judgements:
        found[j.severity] = max(found.get(j.severity, "in"), j.verdict, key=VERDICTS.index)
    return {s: found[s] for s in SEVERITIES if s in found}


def _reason(criterion: Criterion, value: float, verdict: Verdict) -> str:
    """What it means, on the side of the limit the value lies on or nearer to."""
    if verdict == "in":
        return ""
    limit = criterion.limit
    if limit.at_least is None or limit.at_most is None:
        return limit.if_low or limit.if_high
    return limit.if_low if value < (limit.at_least + limit.at_most) / 2 else limit.if_high


def _listed(analytes: Iterable[str]) -> str:
    return at_start(" and ".join(in_words(a) for a in analytes))
