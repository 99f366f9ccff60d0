"""Trying a treatment on the drawn waters: every setting roughly, the best one in full."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import msgspec
import numpy as np

from assess.criteria import criteria_for
from assess.draws import Feed
from assess.equipment import Drain, Equipment
from assess.judgement import Judge, Judgement
from assess.limits import LimitSet
from assess.solved import Solved
from assess.standing import Standing, standing
from assess.treatment.plain import DrainAndRefresh
from assess.treatment.treatment import Treated, Treatment
from shared.water import Vector, speciate

#: Draws on which every setting is tried, and on which the chosen one is judged.
_ROUGH: Final = 150
_FULL: Final = 1000
#: Steps of a setting that can be turned freely.
_STEPS: Final = 21
#: Differences of probability smaller than this do not choose a setting.
_FINE: Final = 0.02
_DRAIN: Final = DrainAndRefresh()


@dataclass(frozen=True, slots=True)
class Trial:
    """A treatment at its best setting: the feed it gives, the machine as it is then run, the judgements.

    ``passes``: the range of settings that stand as well as this one. ``drain_days``: how often the steam
    boiler has to be drained besides.
    """

    treatment: Treatment
    setting: float | None
    passes: tuple[float, float] | None
    treated: Treated
    feed: Feed
    equipment: Equipment
    judgements: tuple[Judgement, ...]
    drain_days: float | None = None

    @property
    def standing(self) -> Standing:
        """How it stands."""
        return standing(self.judgements)


@dataclass(frozen=True)
class Bench:
    """Where treatments are tried: the machine and its limits, the judge, the tap's water."""

    equipment: Equipment
    limits: LimitSet
    judge: Judge
    tap: Feed

    @cached_property
    def rough(self) -> Feed:
        """The few draws of the tap on which every setting is tried."""
        return self.tap.take(_ROUGH)

    @cached_property
    def full(self) -> Feed:
        """The draws of the tap on which a chosen setting is judged."""
        return self.tap.take(_FULL)

    def try_out(self, treatment: Treatment, setting: float | None = None) -> Trial:
        """The treatment at ``setting``, or at the setting that serves best."""
        if setting is not None or treatment.setting is None:
            return self._drained(self._in_full(treatment, setting, passes=None))
        grid = np.round(treatment.setting.grid(_STEPS), 3)
        best, low, high = _choose(self._rough(treatment, grid))
        return self._drained(self._in_full(treatment, float(grid[best]), passes=(float(grid[low]), float(grid[high]))))

    def _drained(self, trial: Trial) -> Trial:
        """With the longest drain interval of the steam boiler that mends its chloride, where that is broken."""
        if trial.treatment.unit is None or not any(_concentrates(j) for j in trial.judgements):
            return trial
        intervals = _DRAIN.setting.grid()
        feed = trial.feed.take(_ROUGH)
        machines = [drained(self.equipment, _treat(_DRAIN, feed, float(days))) for days in intervals]
        standings = [standing(self._judged(m, feed, 1)[0]) for m in machines]
        longest = max(i for i, s in enumerate(standings) if s == min(standings))
        (judged,) = self._judged(machines[longest], trial.feed, 1)
        if standing(judged) >= trial.standing:
            return trial
        return replace(trial, equipment=machines[longest], judgements=judged, drain_days=float(intervals[longest]))

    def _in_full(self, treatment: Treatment, setting: float | None, *,
                 passes: tuple[float, float] | None) -> Trial:
        tap = self.full
        treated = _treat(treatment, tap, 0.0 if setting is None else setting)
        feed, machine = fed(tap, treated), drained(self.equipment, treated)
        (judged,) = self._judged(machine, feed, 1)
        return Trial(treatment, setting, passes, treated, feed, machine, judged)

    def _rough(self, treatment: Treatment, grid: Vector) -> list[tuple[Judgement, ...]]:
        """The judgements at every setting of the grid, on few draws."""
        tap = self.rough
        treated = _treat(treatment, tap, grid[:, np.newaxis])
        if treated.drain is None:
            return self._judged(self.equipment, fed(tap, treated), grid.size)
        machines = [drained(self.equipment, _treat(treatment, tap, float(s))) for s in grid]
        return [judged for machine in machines for judged in self._judged(machine, tap, 1)]

    def _judged(self, machine: Equipment, feed: Feed, settings: int) -> list[tuple[Judgement, ...]]:
        """The judgements for each of ``settings`` rows of a feed of shape (settings, n)."""
        return self.judge.outcomes(criteria_for(machine, self.limits), feed, settings)


def _concentrates(judgement: Judgement) -> bool:
    wanting = judgement.verdict != "in" and not judgement.not_measured
    return wanting and judgement.limit.measure == "boiler-chloride"


def _treat(treatment: Treatment, tap: Feed, setting: Vector | float) -> Treated:
    return treatment.treat(tap.water, setting, t_c=float(np.median(tap.temperature)))


def fed(tap: Feed, treated: Treated) -> Feed:
    """The feed a treatment gives. A measured conductivity keeps its ratio to the computed one."""
    water = treated.at_tap
    if water is tap.water:
        ph, ec, solved = tap.ph, tap.conductivity, tap.solved
    else:
        solved = Solved(water, tap.model_error)
        ph = speciate(water, tap.temperature).ph
        ec = solved.conductivity() * tap.conductivity / tap.solved.conductivity()
    chlorine = tap.free_chlorine * treated.disinfectant.free_chlorine
    return replace(tap, water=water, ph=ph, conductivity=ec, free_chlorine=chlorine, credit=treated.credit,
                   solved=solved)


def drained(equipment: Equipment, treated: Treated) -> Equipment:
    """The machine with its steam boilers drained as the treatment asks."""
    if treated.drain is None:
        return equipment
    habit = Drain(every_days=float(treated.drain.days), share=treated.drain.share)
    boilers = tuple(msgspec.structs.replace(b, drain=habit) if b.kind == "steam" else b for b in equipment.boilers)
    return msgspec.structs.replace(equipment, boilers=boilers)


def _choose(tried: list[tuple[Judgement, ...]]) -> tuple[int, int, int]:
    """Index of the best setting, and first and last of its neighbours that stand as well.

    Best: the best standing; among equals the one whose least certain criterion is most certain.
    """
    standings = [standing(judged) for judged in tried]
    best = min(standings)
    equals = [i for i, s in enumerate(standings) if s == best]
    chosen = equals[int(np.argmax(_least_certain([tried[i] for i in equals])))]
    low = high = chosen
    while low - 1 in equals:
        low -= 1
    while high + 1 in equals:
        high += 1
    return chosen, low, high


def _least_certain(tried: list[tuple[Judgement, ...]]) -> Vector:
    """For each setting the smallest probability, over the criteria on which the settings differ at all."""
    table = np.array([[j.probability for j in judged if j.severity != "information"] for judged in tried])
    differ = np.ptp(table, axis=0) > _FINE
    return np.asarray(table[:, differ].min(axis=1)) if differ.any() else _middle_first(len(tried))


def _middle_first(n: int) -> Vector:
    """Highest in the middle: of settings that are all alike, the one with most room on both sides."""
    return np.asarray(-np.abs(np.arange(n) - (n - 1) / 2))
