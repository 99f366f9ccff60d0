"""Simulation of treatments on the drawn waters: all settings with few draws, the best settings with more."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Final

import msgspec
import numpy as np

from assess.criteria import criteria_for
from assess.draws import Feed, SpeciationCache
from assess.equipment import Drain, Equipment
from assess.judgement import Judge, Judgement
from assess.limits import LimitSet
from assess.loss import Loss, LossModel, draining, with_work
from assess.settings import ConfiguredTreatment, best_settings
from assess.treatment.plain import DrainAndRefresh
from assess.treatment.treatment import BoilerDrainage as DrainHabit
from assess.treatment.treatment import ScaleCredit, TreatedWater, Treatment
from assess.treatment.unit import LEVEL
from shared.water import Vector, Water, conductivity, speciate

#: Dimensions of a table of settings by draws.
_TABLE: Final = 2
_TOTALS: Final = tuple(f.name for f in fields(Water))


def treated_row(made: TreatedWater, k: int, rows: int) -> TreatedWater:
    """Return row ``k`` of a treatment simulated at several settings."""

    def pick(values: Vector) -> Vector:
        wide = np.asarray(values)
        return wide[min(k, wide.shape[0] - 1)] if wide.ndim == 2 else wide

    water = made.at_tap
    if water.ca.ndim == 2:
        water = Water(*(getattr(water, name)[k] for name in _TOTALS))
    drain = made.drain and replace(made.drain, days=np.asarray(made.drain.days).reshape(rows, -1)[k, 0])
    load, per_litre = (None if v is None else pick(v) for v in (made.load, made.feed_per_litre))
    return replace(made, at_tap=water, brought={i: pick(v) for i, v in made.brought.items()},
                   dose={i: pick(v) for i, v in made.dose.items()}, load=load, feed_per_litre=per_litre, drain=drain)


def treated_feeds(tap: Feed, treated: Sequence[TreatedWater]) -> Feed:
    """Return the feed of each treatment, one row each. A measured conductivity keeps its ratio to the computed one."""
    n = tap.ph.size
    water = Water(*(_table(treated, name, n) for name in _TOTALS))
    settles = np.array([[t.at_tap is not tap.water] for t in treated])
    species = speciate(water, float(np.median(tap.temperature)))
    ec = conductivity(water, species) * tap.conductivity / tap.solved.conductivity()
    free, combined = (np.array([[t.disinfectant[i]] for t in treated]) for i in (0, 1))
    credit = ScaleCredit(share=np.array([[t.credit.share if t.credit else 0.0] for t in treated]),
                         to_c=np.array([[t.credit.to_c if t.credit else 0.0] for t in treated]))
    return replace(tap, water=water, ph=np.where(settles, species.ph, tap.ph), settles=settles, credit=credit,
                   conductivity=np.where(settles, ec, tap.conductivity), free_chlorine=tap.free_chlorine * free,
                   chloramine=tap.chloramine * combined, solved=SpeciationCache(water, tap.model_error))


def _table(treated: Sequence[TreatedWater], total: str, n: int) -> Vector:
    """One total of every treatment's water, one row of ``n`` draws each."""
    table = np.empty((len(treated), n))
    for row, each in zip(table, treated, strict=True):
        row[:] = getattr(each.at_tap, total)
    return table


def row_of(feed: Feed, i: int) -> Feed:
    """Return row ``i`` of a feed of several, with its solved equilibria."""
    water = Water(*(getattr(feed.water, name)[i] for name in _TOTALS))
    picked = {name: np.broadcast_to(getattr(feed, name), feed.water.shape)[i]
              for name in ("ph", "free_chlorine", "chloramine", "conductivity", "settles")}
    credit = feed.credit and ScaleCredit(float(np.asarray(feed.credit.share)[i, 0]),
                                         float(np.asarray(feed.credit.to_c)[i, 0]))
    solved = SpeciationCache(water, feed.model_error)
    solved.adopt(feed.solved, i)
    return replace(feed, water=water, credit=credit, solved=solved, **picked)


#: Draws with which every setting is simulated, and with which the best one is judged.
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

    treated: list[TreatedWater]
    feed: Feed
    judged: list[tuple[Judgement, ...]]
    losses: list[Loss]

    def trial(self, i: int, row: ConfiguredTreatment, passes: tuple[float, float] | None) -> Trial:
        """Return row ``i``."""
        return Trial(row.treatment, row.setting, passes, self.treated[i], row_of(self.feed, i), self.judged[i],
                     self.losses[i])


@dataclass(frozen=True)
class TreatmentSimulator:
    """Simulates treatments: the machine and its limits, the judge, the tap's water."""

    equipment: Equipment
    limits: LimitSet
    judge: Judge
    tap: Feed

    @cached_property
    def rough(self) -> Feed:
        """The few draws of the tap with which every setting is simulated."""
        return self.tap.take(_ROUGH)

    @cached_property
    def full(self) -> Feed:
        """The draws of the tap with which a best setting is judged."""
        return self.tap.take(_FULL)

    @cached_property
    def losses(self) -> LossModel:
        """The losses of waters."""
        return LossModel(self.limits, self.judge.rule, self.judge.inputs.measured)

    def try_all(self, treatments: Iterable[Treatment], as_set: Iterable[ConfiguredTreatment] = ()) -> list[Trial]:
        """Return each treatment at its best setting, then those ``as_set``, all judged with the same draws.

        A treatment without a sensible setting is omitted.
        """
        treatments = tuple(treatments)
        rows = [ConfiguredTreatment(t, s) for t in treatments for s in _grid(t)]
        settings = best_settings(rows, self._tried(rows, self.rough), self.rough)
        chosen, fixed = [ConfiguredTreatment(x.treatment, x.setting) for x in settings], list(as_set)
        found = self._tried([*chosen, *fixed], self.full)
        ranges = [*(x.passes for x in settings), *(None for _ in fixed)]
        return [self._drained(found.trial(i, row, passes)) for i, (row, passes) in enumerate(
            zip([*chosen, *fixed], ranges, strict=True))]

    def _tried(self, rows: Sequence[ConfiguredTreatment], tap: Feed) -> TrialTable:
        """Every row with judgements and loss; the waters of all rows are solved together."""
        treated = self._treated(rows, tap)
        feed = treated_feeds(tap, treated)
        judged = self.judge.outcomes(criteria_for(self.equipment, self.limits), feed, len(rows))
        for i, each in enumerate(treated):
            if each.drain is not None:
                (judged[i],) = self._judged(with_drain_interval(self.equipment, each.drain), row_of(feed, i))
        losses = [with_work(loss, row.treatment, each, self.equipment.litres_per_day)
                  for loss, row, each in zip(self.losses.of(feed, judged), rows, treated, strict=True)]
        return TrialTable(treated, feed, judged, losses)

    def _treated(self, rows: Sequence[ConfiguredTreatment], tap: Feed) -> list[TreatedWater]:
        """The water of each row; all settings of a treatment are simulated together."""
        t_c = float(np.median(tap.temperature))
        found: dict[int, TreatedWater] = {}
        by_treatment: dict[str, list[int]] = {}
        for i, row in enumerate(rows):
            by_treatment.setdefault(f"{row.treatment.id} {row.treatment.name}", []).append(i)
        for indices in by_treatment.values():
            treatment = rows[indices[0]].treatment
            settings = np.array([rows[i].setting or 0.0 for i in indices])
            made = treatment.treat(tap.water, settings[:, np.newaxis], t_c=t_c, vary=tap.variation)
            for k, i in enumerate(indices):
                found[i] = treated_row(made, k, settings.size)
        return [found[i] for i in range(len(rows))]

    def _judged(self, machine: Equipment, feed: Feed) -> list[tuple[Judgement, ...]]:
        return self.judge.outcomes(criteria_for(machine, self.limits), feed, 1)

    def _drained(self, trial: Trial) -> Trial:
        """The trial with the best drain interval of the steam boiler, if its chloride is not within limits."""
        if trial.treatment.unit is None or not any(_concentrates(j) for j in trial.judgements):
            return trial
        best = trial
        for days in _DRAIN.setting.choices[::-1]:
            drain = _DRAIN.treat(trial.feed.water, days, t_c=0.0).drain
            assert drain is not None  # noqa: S101 - draining drains
            (judged,) = self._judged(with_drain_interval(self.equipment, drain), trial.feed)
            (loss,) = self.losses.of(trial.feed, [judged])
            work = trial.loss.work + draining(days) + _WORK_BESIDES
            tried = replace(trial, judgements=judged, loss=msgspec.structs.replace(loss, work=work), drain_days=days)
            best = min(best, tried, key=lambda x: (x.loss.beyond, x.loss.total))
        return best


def _grid(treatment: Treatment) -> tuple[float | None, ...]:
    if treatment.setting is None:
        return (None,)
    return tuple(np.round(treatment.setting.grid(), 3).tolist())


def _concentrates(judgement: Judgement) -> bool:
    wanting = judgement.verdict != "in" and not judgement.not_measured
    return wanting and judgement.limit.measure == "boiler-chloride"


def with_drain_interval(equipment: Equipment, drain: DrainHabit) -> Equipment:
    """Return the machine with its steam boilers drained as the treatment requires."""
    habit = Drain(every_days=float(drain.days), share=drain.share)
    boilers = tuple(msgspec.structs.replace(b, drain=habit) if b.kind == "steam" else b for b in equipment.boilers)
    return msgspec.structs.replace(equipment, boilers=boilers)
