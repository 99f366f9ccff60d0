"""Outcomes of criteria for drawn waters: value, interval, probability, verdict, and contributions to uncertainty."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from assess.criteria.quantities import Criterion
from assess.decision import VERDICTS, DecisionRule, Verdict
from assess.draws import DrawnFeed, Feed, quantiles
from assess.inputs.sample import Inputs
from assess.limits import SEVERITIES, Limit, Severity
from assess.next_measurement import (
    Situation,
    UncertaintyShare,
    second_strip,
    suggest_measurement,
    uncertainty_shares,
)
from shared.analytes import input_name
from shared.estimate import Status


class Judgement(msgspec.Struct, frozen=True, kw_only=True):
    """Outcome of one criterion. ``low`` to ``high`` is the 95 % interval of the quantity, in the limit's unit.

    ``probability`` of conformity; ``not_measured``: required inputs that were only assumed, so that the verdict is
    inconclusive; ``contributions``: inputs by their share of the variance; ``decides``: what would resolve an
    inconclusive verdict; ``second_strip``: the probability that a second strip would, None where strips reduce nothing.
    ``status``: whether the quantity itself was measured below or above the range; then only one end is known.
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
    contributions: tuple[UncertaintyShare, ...] = ()
    decides: str = ""
    second_strip: float | None = None
    status: Status = "measured"

    @property
    def title(self) -> str:
        """Name of the criterion with its place, as "scale (brew boiler)"."""
        return f"{self.name} ({self.place})" if self.place else self.name

    @property
    def severity(self) -> Severity:
        """Severity of being out of limits."""
        return self.limit.severity

    @property
    def second_strip_percent(self) -> int:
        """``second_strip`` to 5 %, at most 95; 0 where a second strip has hardly any benefit."""
        return min(95, 5 * round(20 * (self.second_strip or 0.0)))


#: The analyte that a measure of the feed is, where it is one.
_MEASURED: Final = {"hardness": "hardness", "alkalinity": "alkalinity", "ph": "ph", "chloride": "chloride",
                    "chlorine": "chlorine", "metal-chlorine": "chlorine", "sodium": "sodium",
                    "conductivity": "conductivity"}


@dataclass(frozen=True, slots=True)
class Judge:
    """Judges criteria by one rule, aware of which inputs were measured and which were assumed."""

    rule: DecisionRule
    inputs: Inputs

    def judge(self, criteria: Iterable[Criterion], drawn: DrawnFeed) -> tuple[Judgement, ...]:
        """Return the full judgement of every criterion."""
        criteria = self._asked(criteria)
        (outcomes,) = self.outcomes(criteria, drawn.feed, 1)
        return tuple(self._in_full(c, j, drawn) for c, j in zip(criteria, outcomes, strict=True))

    def _asked(self, criteria: Iterable[Criterion]) -> tuple[Criterion, ...]:
        """The criteria without optional ones whose inputs were not measured."""
        return tuple(c for c in criteria
                     if not c.measure.optional or set(c.measure.needs) <= self.inputs.measured)

    def _in_full(self, criterion: Criterion, plain: Judgement, drawn: DrawnFeed) -> Judgement:
        value = criterion.quantity(drawn.feed)
        contributions = uncertainty_shares(value, drawn.inputs)
        plain = self._as_entered(plain)
        if plain.verdict != "inconclusive":
            return msgspec.structs.replace(plain, contributions=contributions)
        situation = Situation(criterion.bounds, self.rule, value=plain.value, u=float(np.std(value)))
        if plain.not_measured:
            return msgspec.structs.replace(plain, contributions=contributions,
                                           decides=f"Measure {_listed(plain.not_measured)}.")
        chance = second_strip(situation, value, contributions, self.inputs.estimates)
        judged = msgspec.structs.replace(plain, contributions=contributions, second_strip=chance)
        decides = [suggest_measurement(situation, contributions, self.inputs.estimates)]
        if percent := judged.second_strip_percent:
            decides.append(f"A second strip would settle this with {percent} % probability.")
        return msgspec.structs.replace(judged, decides=" ".join(decides))

    def _as_entered(self, plain: Judgement) -> Judgement:
        """With value, interval and status as they were entered, where the quantity itself was measured."""
        analyte = _MEASURED.get(plain.limit.measure, "")
        estimate = self.inputs.estimates.get(analyte)
        if estimate is None or analyte not in self.inputs.measured:
            return plain
        return msgspec.structs.replace(plain, value=estimate.value, low=estimate.low, high=estimate.high,
                                       status=estimate.status)

    def outcomes(self, criteria: Iterable[Criterion], feed: Feed, settings: int) -> list[tuple[Judgement, ...]]:
        """Return value, interval, probability and verdict for each of ``settings`` rows of a feed (settings, n)."""
        criteria, shape = self._asked(criteria), (settings, feed.ph.shape[-1])
        values = [c.quantity(feed) for c in criteria]
        conforms = [c.conforms(feed, v) for c, v in zip(criteria, values, strict=True)]
        drawn = quantiles(_table(values, shape))
        numbers = np.stack([np.mean(_table(conforms, shape), axis=-1), *drawn], axis=-1).tolist()
        columns = (self._column(c, rows) for c, rows in zip(criteria, numbers, strict=True))
        return list(zip(*columns, strict=True))

    def _column(self, criterion: Criterion, rows: Sequence[Sequence[float]]) -> list[Judgement]:
        """A judgement for each row of probability, low end, median and high end."""
        unread = tuple(sorted(set(criterion.measure.needs) - self.inputs.measured))
        id_, name, place = criterion.id, criterion.name, "" if criterion.boiler is None else criterion.boiler.name
        judged = []
        for probability, low, middle, high in rows:
            # What a treatment removes completely need not have been measured.
            missing = unread if high > low else ()
            verdict = "inconclusive" if missing else self.rule.verdict(probability)
            judged.append(Judgement(
                id=id_, name=name, place=place, limit=criterion.limit, value=middle, low=low, high=high,
                probability=probability, verdict=verdict, reason=_reason(criterion, middle, verdict),
                not_measured=missing))
        return judged


def _table(rows: list[NDArray[Any]], shape: tuple[int, int]) -> NDArray[Any]:
    """Rows each of ``shape``, or of a shape that spreads over it, as one array (rows, settings, n)."""
    return np.stack([np.broadcast_to(row, shape) for row in rows])


def worst(judgements: Iterable[Judgement]) -> dict[Severity, Verdict]:
    """Return the worst verdict of each severity that was judged."""
    verdicts: dict[Severity, Verdict] = {}
    for j in judgements:
        verdicts[j.severity] = max(verdicts.get(j.severity, "within-limits"), j.verdict, key=VERDICTS.index)
    return {s: verdicts[s] for s in SEVERITIES if s in verdicts}


def _reason(criterion: Criterion, value: float, verdict: Verdict) -> str:
    """What the verdict means, for the side of the limit that is exceeded or nearer."""
    if verdict == "within-limits":
        return ""
    limit = criterion.limit
    if limit.at_least is None or limit.at_most is None:
        return limit.if_low or limit.if_high
    return limit.if_low if value < (limit.at_least + limit.at_most) / 2 else limit.if_high


def _listed(analytes: Iterable[str]) -> str:
    return " and ".join(input_name(a) for a in analytes)
