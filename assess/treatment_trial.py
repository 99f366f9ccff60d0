"""Simulation of treatments on the drawn waters: all settings with few draws, the best settings with more."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from assess.criteria import criteria_for
from assess.draws import Feed
from assess.equipment import Drain, Equipment
from assess.judgement import Judge, Judgement
from assess.limits import LimitSet
from assess.loss import Loss, LossModel, draining, with_work
from assess.settings import BestSetting, ConfiguredTreatment, RowMedians, best_settings
from assess.treated_feeds import SettingRow, at_settings, is_treated, row_of, rows_of, treated_feeds, waters
from assess.treatment.kinds import DrainAndRefresh
from assess.treatment.treatment import TreatedWater, Treatment
from assess.treatment.unit import LEVEL

#: Draws with which every setting is simulated, and with which the best one is judged. Of 250 draws the median has a
#: standard error of 0.08 standard deviations, an end of the 95 % interval 0.17, a probability of 0.9 one of 0.02.
_ROUGH: Final = 32
_FULL: Final = 250
#: Loss of draining in addition to another treatment: one more task that can be forgotten.
_WORK_BESIDES: Final = 0.5
_DRAIN: Final = DrainAndRefresh()


@dataclass(frozen=True, slots=True)
class Trial:
    """A treatment at its best setting: its feed, judgements and loss.

    ``passes``: the range of settings that are equally good. ``drain_days``: interval at which the steam boiler has to
    be drained in addition.
    """

    treatment: Treatment
    setting: float | None
    passes: tuple[float, float] | None
    treated: TreatedWater
    feed: Feed
    judgements: tuple[Judgement, ...]
    loss: Loss
    drain_days: float | None = None

    @property
    def level(self) -> int:
        """Its level of intervention; additional draining counts as half a level."""
        return 2 * LEVEL[self.treatment.kind] + (self.drain_days is not None)


@dataclass(frozen=True, slots=True)
class TrialTable:
    """Results of treatments at settings, one row each."""

    feed: Feed
    judged: list[tuple[Judgement, ...]]
    losses: list[Loss]

    def trial(self, i: int, row: SettingRow, passes: tuple[float, float] | None) -> Trial:
        """Return row ``i``."""
        return Trial(row.treatment, row.setting, passes, row.treated(), row_of(self.feed, i), self.judged[i],
                     self.losses[i])


@dataclass(frozen=True)
class TreatmentSimulator:
    """Simulates treatments: the machine and its limits, the judge, the tap's water."""

    equipment: Equipment
    limits: LimitSet
    judge: Judge
    tap: Feed

    @cached_property
    def full(self) -> Feed:
        """The draws of the tap with which a best setting is judged, solved once for all that do not change it."""
        full = self.tap.take(_FULL)
        full.solved.ph_in_air()
        full.solved.conductivity()
        return full

    @cached_property
    def losses(self) -> LossModel:
        """The losses of waters."""
        return LossModel(self.limits, self.judge.rule, self.judge.inputs.measured)

    def try_all(self, treatments: Iterable[Treatment], as_set: Iterable[ConfiguredTreatment] = ()) -> list[Trial]:
        """Return each treatment at its best setting, then those ``as_set``, all judged with the same draws.

        A treatment without a sensible setting is omitted.
        """
        rows = [row for t in treatments for row in at_settings(t, _grid(t), self.full)]
        best = self._best(rows)
        fixed = [row for each in as_set for row in at_settings(each.treatment, (each.setting,), self.full)]
        chosen = [*(x.row for x in best), *fixed]
        ranges = [*(x.passes for x in best), *(None for _ in fixed)]
        found = self._tried(chosen, self.full, is_treated(chosen, self.full))
        trials = [found.trial(i, row, passes) for i, (row, passes) in enumerate(zip(chosen, ranges, strict=True))]
        return self._drained(trials, found.feed)

    def _best(self, rows: list[SettingRow]) -> list[BestSetting]:
        """The best setting of each treatment, by few draws."""
        few, treated = self.full.take(_ROUGH), is_treated(rows, self.full)
        medians = RowMedians.of(waters(rows, few.ph.size), few.water, treated)
        sensible = [i for i, row in enumerate(rows) if medians.makes_sense(i, row.treatment)]
        kept = [rows[i] for i in sensible]
        return best_settings(kept, medians.take(sensible), self._tried(kept, few, treated[sensible]).losses)

    def _tried(self, rows: Sequence[SettingRow], tap: Feed, treated: NDArray[np.bool_]) -> TrialTable:
        """Every row with judgements and loss; the waters of all rows are solved together."""
        feed = treated_feeds(rows, tap, treated)
        judged = self.judge.outcomes(criteria_for(self.equipment, self.limits), feed, len(rows))
        for i, row in enumerate(rows):
            if row.drain_days is not None and row.made.drain is not None:
                drained = with_drain_interval(self.equipment, row.drain_days, row.made.drain.share)
                (judged[i],) = self.judge.outcomes(criteria_for(drained, self.limits), row_of(feed, i), 1)
        losses = [with_work(loss, row, self.equipment.litres_per_day)
                  for loss, row in zip(self.losses.of(feed, judged), rows, strict=True)]
        return TrialTable(feed, judged, losses)

    def _drained(self, trials: list[Trial], feed: Feed) -> list[Trial]:
        """The trials, with the best drain interval of the steam boiler where its chloride is not within limits."""
        best = list(trials)
        salty = [i for i, t in enumerate(trials) if t.treatment.unit and any(_concentrates(j) for j in t.judgements)]
        for days in _DRAIN.setting.choices[::-1]:
            if not salty:
                break
            for i, tried in zip(salty, self._drained_every(days, [trials[i] for i in salty], rows_of(feed, salty)),
                                strict=True):
                best[i] = min(best[i], tried, key=lambda x: (x.loss.beyond, x.loss.total))
            # Where the machine has no loss, a shorter interval would only add work.
            salty = [i for i in salty if any(best[i].loss.machine.values())]
        return best

    def _drained_every(self, days: float, trials: list[Trial], feed: Feed) -> list[Trial]:
        """The trials, one row of ``feed`` each, with the steam boiler drained every ``days`` as well."""
        machine = with_drain_interval(self.equipment, days, _DRAIN.share)
        judged = self.judge.outcomes(criteria_for(machine, self.limits), feed, len(trials))
        more = draining(days) + _WORK_BESIDES
        return [replace(t, judgements=row, loss=msgspec.structs.replace(loss, work=t.loss.work + more), drain_days=days)
                for t, row, loss in zip(trials, judged, self.losses.of(feed, judged), strict=True)]


def _grid(treatment: Treatment) -> tuple[float | None, ...]:
    if treatment.setting is None:
        return (None,)
    return tuple(np.round(treatment.setting.grid(), 3).tolist())


def _concentrates(judgement: Judgement) -> bool:
    wanting = judgement.verdict != "within-limits" and not judgement.not_measured
    return wanting and judgement.limit.measure == "boiler-chloride"


def with_drain_interval(equipment: Equipment, days: float, share: float) -> Equipment:
    """Return the machine with a ``share`` of its steam boilers drained every ``days``."""
    habit = Drain(every_days=days, share=share)
    boilers = tuple(msgspec.structs.replace(b, drain=habit) if b.kind == "steam" else b for b in equipment.boilers)
    return msgspec.structs.replace(equipment, boilers=boilers)
