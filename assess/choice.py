"""Which treatment to recommend: the lowest level of intervention that is close enough to the best.

Machine first: treatments with which no criterion of the machine is out of limits or, if there are none, those that come
closest. Then the total loss decides; a higher level must gain more than a margin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

import numpy as np

from assess.draws import Feed
from assess.equipment import Preference
from assess.judgement import Judgement
from assess.treatment_trial import Trial
from shared.water import Vector

#: Noticeable differences that a higher level must gain (common practice, no source).
MARGIN: Final = 1.5
#: Noticeable differences that a treatment must gain where the machine could use untreated water.
LEAST_GAIN: Final = 1.0
#: Losses this close to each other are equal; the tie-breakers then decide.
_EQUAL: Final = 0.25
#: A softened water has less hardness than the first and more alkalinity than the second, mg/L CaCO3 (common
#: practice, no source).
_SOFTENED: Final = (10.0, 100.0)
#: Treatments that exceed the machine's limits by up to this multiple of the smallest excess are equally close.
_AS_NEAR: Final = 1.3


@dataclass(frozen=True, slots=True)
class Choice:
    """``first`` is recommended; ``closest`` comes closest to the target; ``order``: all, best first."""

    first: Trial
    closest: Trial
    order: tuple[Trial, ...]


@dataclass(frozen=True, slots=True)
class Chooser:
    """Choice by a ``margin`` (noticeable differences) and a preference; ``cost``: yearly cost of a trial if known."""

    margin: float
    prefer: Preference
    cost: dict[int, float]

    def choose(self, trials: Sequence[Trial], tap: Trial) -> Choice:
        """Return the choice among ``trials``; ``tap`` is the one without treatment."""
        fit = admissible(trials, tap)
        least = min(x.loss.total for x in fit)
        closest = min(fit, key=lambda x: (round((x.loss.total - least) / _EQUAL), x.level, *self._ties(x)))
        lowest = self._lowest([x for x in fit if x.loss.total <= least + self.margin] or [closest], tap, fit)
        opened = [x for x in trials if x.treatment.kind == "softener-bypass"]
        first = opened[0] if opened else closest if self.prefer == "closest" else lowest
        return Choice(first, closest, self._ordered(trials, first, fit))

    def _lowest(self, near: list[Trial], tap: Trial, fit: Sequence[Trial]) -> Trial:
        """The lowest level among those close enough to the best that gain enough where untreated water would do.

        A lower level is kept unless a higher one gains clearly more.
        """
        least = min(x.loss.total for x in near)

        def key(x: Trial) -> tuple[float, ...]:
            return (x.level, round((x.loss.total - least) / _EQUAL), *self._ties(x))

        enough = min((x for x in near if x is tap or _gains(x, tap, fit, LEAST_GAIN)), key=key, default=None)
        some = min((x for x in near if x is tap or _gains(x, tap, fit, _EQUAL)), key=key, default=None)
        if enough is None or some is None:
            return enough or min(near, key=lambda x: (x.loss.total, x.level))
        return some if some.loss.total <= enough.loss.total + LEAST_GAIN else enough

    def _ordered(self, trials: Sequence[Trial], first: Trial, fit: Sequence[Trial]) -> tuple[Trial, ...]:
        rest = [x for x in trials if x is not first]
        fits = {id(x) for x in fit}
        return (first, *sorted(rest, key=lambda x: (
            id(x) not in fits, round(x.loss.beyond, 2), round(x.loss.total, 1), x.level, *self._ties(x))))

    def _ties(self, x: Trial) -> tuple[float, float, float, float]:
        """Tie-breakers: less chloride, less sodium, less reject, lower yearly cost."""
        waste = 0.0 if x.treated.feed_per_litre is None else _median(x.treated.feed_per_litre)
        water = x.feed.water
        return (round(_median(water.chloride_mg_l)), round(_median(water.sodium_mg_l)), round(waste, 1),
                self.cost.get(id(x), inf))


def _gains(x: Trial, tap: Trial, fit: Sequence[Trial], least: float) -> bool:
    """Whether it gains enough where the machine could use untreated water."""
    return tap not in fit or x.loss.total <= tap.loss.total - least


def admissible(trials: Sequence[Trial], tap: Trial) -> list[Trial]:
    """Return the treatments that keep the machine within limits and break no criterion that the tap meets.

    If no treatment does, those that come closest; such a treatment may impair the cup for the sake of the machine.
    """
    unharmed = [x for x in trials if not breaks(x, tap)] or [tap]
    least = min(x.loss.beyond for x in unharmed)
    if least > 0:
        unharmed = [x for x in trials if not any(b not in _cup(x) for b in breaks(x, tap))]
        least = _AS_NEAR * min(x.loss.beyond for x in unharmed)
    return [x for x in unharmed if x.loss.beyond <= least]


def _cup(x: Trial) -> set[str]:
    return {j.id for j in x.judgements if j.severity == "cup"}


def breaks(x: Trial, tap: Trial) -> tuple[str, ...]:
    """Return ids of criteria that the tap meets and that are out of limits after the treatment."""
    met = {j.id for j in tap.judgements if j.verdict == "within-limits"}
    return tuple(j.id for j in x.judgements if j.id in met and _is_out(j))


def _is_out(j: Judgement) -> bool:
    return j.verdict == "out-of-limits" and j.severity != "information"


def is_softened(feed: Feed) -> bool:
    """Return whether the water looks softened, or is a natural sodium bicarbonate water."""
    hardness, alkalinity = _SOFTENED
    return _median(feed.water.hardness) < hardness and _median(feed.water.alkalinity_caco3) > alkalinity


def _median(values: Vector) -> float:
    return float(np.median(values))
