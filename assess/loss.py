"""Loss of a water in noticeable differences: for the cup by smooth curves, for the machine by missing probability.

One unit is a difference that a trained taster just notices (common practice, no source; the curves are in the limits
file). A criterion of the machine that conforms with the required probability has no loss; one with an even chance has a
loss of 1; one that is out of limits, of 2 or more. Work has the same unit, because tasks can be forgotten.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from math import log1p
from statistics import NormalDist
from typing import Final

import msgspec
import numpy as np

from assess.criteria import OF_FEED
from assess.decision import DecisionRule
from assess.draws import Feed
from assess.judgement import Judgement
from assess.limits import MEASURES, Limit, LimitSet
from assess.treated_feeds import SettingRow
from shared.water import Vector
from shared.water.treating import litres_to_exhaustion

_NORMAL: Final = NormalDist()
#: Probabilities are estimated from a few hundred draws: the smallest that is distinguished.
_LEAST_PROBABILITY: Final = 0.002
#: Least guard band: keeps the scale of missing probability finite for simple acceptance.
_LEAST_GUARD: Final = 0.5
#: Loss per unit of a pH below the window that rises on standing, and its maximum.
_FRESH: Final = (0.3, 0.3)
MACHINE: Final = ("machine", "scale", "leaching")


class Loss(msgspec.Struct, frozen=True, kw_only=True):
    """``cup`` by measure, ``machine`` by severity, and the ``work`` of draining a boiler often; noticeable differences.

    ``beyond``: how far criteria of the machine exceed their limits.
    """

    cup: dict[str, float]
    machine: dict[str, float]
    work: float = 0.0
    beyond: float = 0.0

    @property
    def total(self) -> float:
        """Sum of all losses."""
        return sum(self.cup.values()) + sum(self.machine.values()) + self.work


@dataclass(frozen=True, slots=True)
class LossModel:
    """Losses of waters by a set of limits; ``measured``: analytes that were measured."""

    limits: LimitSet
    rule: DecisionRule
    measured: frozenset[str]

    def of(self, feed: Feed, judged: list[tuple[Judgement, ...]]) -> list[Loss]:
        """Return the loss of each row of ``feed`` (settings, n), whose judgements are ``judged``."""
        cup = self._cup(feed, len(judged))
        machines = [self._machine(row) for row in judged]
        return [Loss(cup={key: float(v[i]) for key, v in cup.items()}, machine=m, beyond=_beyond(row))
                for i, (m, row) in enumerate(zip(machines, judged, strict=True))]

    def _cup(self, feed: Feed, rows: int) -> dict[str, Vector]:
        losses = {}
        for limit in self.limits.limit:
            measure = MEASURES[limit.measure]
            if measure.place == "feed" and (limit.severity == "cup" or limit.loss) and self._is_known(limit):
                losses[limit.measure] = np.broadcast_to(_cost(feed, limit), rows)
        return losses

    def _is_known(self, limit: Limit) -> bool:
        return set(MEASURES[limit.measure].needs) <= self.measured

    def _machine(self, judged: Iterable[Judgement]) -> dict[str, float]:
        losses = dict.fromkeys(MACHINE, 0.0)
        for j in judged:
            severity = j.limit.severity
            if severity in losses and not j.not_measured:
                losses[severity] = max(losses[severity], _missing(j.probability, self.rule.confidence))
        return losses


@lru_cache(maxsize=4096)
def _missing(probability: float, confidence: float) -> float:
    """Loss of a probability of conformity below the required one; cached: few hundred draws give few probabilities."""
    required = max(_NORMAL.inv_cdf(confidence), _LEAST_GUARD)
    return max(0.0, required - _normal_quantile(probability)) / required


def _normal_quantile(probability: float) -> float:
    return _NORMAL.inv_cdf(min(max(probability, _LEAST_PROBABILITY), 1 - _LEAST_PROBABILITY))


def _cost(feed: Feed, limit: Limit) -> Vector:
    return _ph(feed, limit) if limit.measure == "ph" else curve(limit, _median(OF_FEED[limit.measure](feed)))


def curve(limit: Limit, value: Vector) -> Vector:
    """Return the loss of a value: by the limit's pairs, else 0 at its optimum and 1 at its bounds."""
    pairs = limit.loss or _plain(limit)
    at, cost = (np.array(column) for column in zip(*pairs, strict=True))
    first, last = (cost[1] - cost[0]) / (at[1] - at[0]), (cost[-1] - cost[-2]) / (at[-1] - at[-2])
    beyond = first * np.minimum(value - at[0], 0.0) + last * np.maximum(value - at[-1], 0.0)
    return np.asarray(np.maximum(np.interp(value, at, cost) + beyond, 0.0))


def _plain(limit: Limit) -> tuple[tuple[float, float], ...]:
    low, high = limit.at_least, limit.at_most
    if low is None or high is None:
        bound = high if low is None else low
        assert bound is not None  # noqa: S101 - a limit has one bound or two
        inside = bound / 2 if low is None else bound * 1.5
        return ((inside, 0.0), (bound, 1.0)) if low is None else ((bound, 1.0), (inside, 0.0))
    best = (low + high) / 2 if limit.best is None else limit.best
    return (low, 1.0), (best, 0.0), (high, 1.0)


def _ph(feed: Feed, limit: Limit) -> Vector:
    """Loss of a pH: a low pH is judged after standing in air as well, because fresh CO2 escapes; a high pH at once."""
    standing = _median(feed.solved.ph_in_air())
    fresh = _median(feed.ph)
    middle = limit.best or ((limit.at_least or 0.0) + (limit.at_most or 14.0)) / 2
    low = curve(limit, np.minimum(np.maximum(fresh, standing), middle))
    high = curve(limit, np.maximum(fresh, middle))
    per_unit, most = _FRESH
    short = np.maximum((limit.at_least or 0.0) - fresh, 0.0)
    return np.asarray(low + high + np.minimum(per_unit * short, most))


def _median(values: Vector) -> Vector:
    return np.asarray(np.median(values, axis=-1))


def _beyond(judged: Iterable[Judgement]) -> float:
    """Sum of the relative excess of criteria out of limits: ranks waters that cannot conform."""
    return sum((_excess(j) for j in judged if j.severity in MACHINE and j.verdict == "out-of-limits"), 0.0)


def _excess(j: Judgement) -> float:
    low, high = j.limit.at_least, j.limit.at_most
    far = max(j.value - high if high is not None else 0.0, low - j.value if low is not None else 0.0, 0.0)
    return log1p(far / max(abs(high if high is not None else low or 1.0), 1e-9))


#: Loss of draining a boiler: noticeable differences, by days between drains.
_WORK_DAYS: Final = (1.0, 3.0, 7.0, 30.0)
_WORK: Final = (0.5, 0.3, 0.1, 0.0)
#: Loss of changing a cartridge, by days between changes.
_WORK_CHANGES: Final = (14.0, 30.0, 60.0, 120.0)
_WORK_CHANGE: Final = (2.0, 1.0, 0.3, 0.0)
#: Loss of a softener, which needs salt and a drain for its brine (common practice, no source).
_WORK_SALT: Final = 2.0


def draining(days: float) -> float:
    """Return the loss of draining a boiler at an interval of ``days``."""
    return float(np.interp(days, _WORK_DAYS, _WORK))


def with_work(loss: Loss, row: SettingRow, litres_per_day: float) -> Loss:
    """Return the loss with the work of this treatment."""
    work = _upkeep_work(row, litres_per_day)
    if row.drain_days is not None:
        work += draining(row.drain_days)
    return msgspec.structs.replace(loss, work=work) if work else loss


def _upkeep_work(row: SettingRow, litres_per_day: float) -> float:
    """Work for a cartridge that is soon exhausted, and for a softener."""
    unit = row.treatment.unit
    if row.treatment.kind == "sodium-softening":
        return _WORK_SALT
    if unit is None or unit.working_eq is None or row.load is None or litres_per_day <= 0:
        return 0.0
    days = float(np.median(litres_to_exhaustion(unit.working_eq, row.load))) / litres_per_day
    return float(np.interp(days, _WORK_CHANGES, _WORK_CHANGE))
