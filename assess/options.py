"""Every treatment judged by the tap's criteria, and ranked: by severity, then least intervention, then cost."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import inf, isfinite
from typing import Final

import msgspec
import numpy as np

from assess.decision import Verdict
from assess.interval import Interval, intervals
from assess.judgement import Judgement
from assess.limits import SEVERITIES, Severity
from assess.outlook import BoilerOutlook, outlook
from assess.solved import ROOM_C
from assess.standing import Grade, Standing, grade
from assess.treatment.treatment import Treatment
from assess.treatment.upkeep import Upkeep, upkeep
from assess.trial import Bench, Trial
from shared.water import Vector, Water

#: From leaving the water alone to rebuilding it: common sense, no source.
_INTERVENTION: Final = {key: i for i, key in enumerate((
    "none", "test-interval", "drain-and-refresh", "particle-filter", "carbon-filter", "scale-inhibitor",
    "weak-acid-exchange", "magnesium-exchange", "sodium-softening", "osmosis-blend", "osmosis-calcite",
    "osmosis-doses"))}
#: Severities in a sentence.
WORDS: Final[dict[Severity, str]] = {
    "machine": "the machine's limits", "scale": "scale", "leaching": "leaching and corrosion", "cup": "the cup"}


#: Median and interval by name and unit.
Properties = dict[tuple[str, str], Interval]


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """A property of the water at the tap and after the treatment."""

    name: str
    unit: str
    before: Interval
    after: Interval


class Outcome(msgspec.Struct, frozen=True, kw_only=True):
    """A criterion, by its id among the tap's judgements, on the treated water."""

    id: str
    value: float
    low: float
    high: float
    probability: float
    verdict: Verdict


class Option(msgspec.Struct, frozen=True, kw_only=True):
    """One treatment at its best setting, and what it does. ``rank`` 1 is best; ``why`` it stands there.

    ``passes``: settings that serve as well. ``drain_days``: drain the steam boiler as often besides.
    ``changes``: the water as it leaves and after standing in air. ``brought`` and ``dose``: mg/L.
    ``litres``, ``days``: until the unit is spent; None: nothing is spent, or not known.
    """

    id: str
    name: str
    rank: int
    why: str
    fitted: bool
    setting_name: str | None
    setting: float | None
    passes: tuple[float, float] | None
    drain_days: float | None
    outcomes: tuple[Outcome, ...]
    better: tuple[str, ...]
    worse: tuple[str, ...]
    changes: tuple[Change, ...]
    boilers: tuple[BoilerOutlook, ...]
    brought: dict[str, float]
    dose: dict[str, float]
    feed_per_litre: float | None
    litres: float | None
    days: float | None
    yearly_cost: float | None
    currency: str | None
    cautions: tuple[str, ...]
    standing: Standing

    @property
    def broken(self) -> tuple[Severity, ...]:
        """Severities in which something stays out."""
        return self.standing.broken

    @property
    def out(self) -> bool:
        """Whether any criterion is out of limits, the pH in the cup included."""
        return bool(self.broken) or self.standing.cup_ph == Grade.OUT


def ranked(bench: Bench, treatments: Iterable[Treatment], *, fitted: Trial | None = None) -> tuple[Option, ...]:
    """Options from the best to the worst, among them the one fitted as it is set."""
    trials = [bench.try_out(t) for t in treatments]
    tap = next(t for t in trials if t.treatment.id == "none")
    trials += [] if fitted is None else [fitted]
    keyed = sorted(((_key(t, bench), i) for i, t in enumerate(trials)))
    before = _properties(tap)
    options: list[Option] = []
    for rank, (_, i) in enumerate(keyed, start=1):
        option = _option(trials[i], (tap, before), bench)
        above = options[-1] if options else None
        options.append(msgspec.structs.replace(option, rank=rank, why=_why(option, above),
                                               fitted=trials[i] is fitted))
    return tuple(options)


def _key(trial: Trial, bench: Bench) -> tuple[Standing, int, float]:
    kind = trial.treatment.id if trial.treatment.unit is None else trial.treatment.unit.kind
    cost = _upkeep(trial, bench)
    yearly = inf if cost is None or cost.yearly_cost is None else float(np.median(cost.yearly_cost))
    return trial.standing, _INTERVENTION[kind] + (trial.drain_days is not None), yearly


def _upkeep(trial: Trial, bench: Bench) -> Upkeep | None:
    unit, litres = trial.treatment.unit, bench.equipment.litres_per_day
    return upkeep(unit, trial.treated, litres_per_day=litres) if unit is not None and litres > 0 else None


def _option(trial: Trial, tap: tuple[Trial, Properties], bench: Bench) -> Option:
    treatment, treated, keep = trial.treatment, trial.treated, _upkeep(trial, bench)
    return Option(
        id=treatment.id, name=treatment.name, rank=0, why="", fitted=False,
        setting_name=None if treatment.setting is None else treatment.setting.name, setting=trial.setting,
        passes=trial.passes, drain_days=trial.drain_days,
        outcomes=tuple(_outcome(j) for j in trial.judgements),
        better=tuple(_moved(tap[0], trial, down=True)), worse=tuple(_moved(tap[0], trial, down=False)),
        changes=_changes(tap[1], trial), boilers=outlook(trial.feed, trial.equipment),
        brought=_medians(treated.brought), dose=_medians(treated.dose),
        feed_per_litre=_median(treated.feed_per_litre), litres=_median(keep.litres if keep else None),
        days=_median(keep.days if keep else None), yearly_cost=_median(keep.yearly_cost if keep else None),
        currency=treatment.unit.currency if treatment.unit else None, cautions=treatment.cautions,
        standing=trial.standing)


def _outcome(j: Judgement) -> Outcome:
    return Outcome(id=j.id, value=j.value, low=j.low, high=j.high, probability=j.probability, verdict=j.verdict)


def _moved(tap: Trial, trial: Trial, *, down: bool) -> Iterator[str]:
    """Criteria whose grade got better (``down``) or worse against the tap."""
    before = {j.id: grade(j) for j in tap.judgements}
    for j in trial.judgements:
        if j.severity != "information" and (grade(j) < before[j.id] if down else grade(j) > before[j.id]):
            yield f"{j.name}, {j.place}" if j.place else j.name


def _changes(before: Properties, trial: Trial) -> tuple[Change, ...]:
    return tuple(Change(name=name, unit=unit, before=before[name, unit], after=after)
                 for (name, unit), after in _properties(trial).items())


def _properties(trial: Trial) -> Properties:
    water: Water = trial.feed.water
    return intervals({
        ("total hardness", "mg/L CaCO3"): water.hardness,
        ("total alkalinity", "mg/L CaCO3"): water.alkalinity_caco3,
        ("pH as it leaves", "pH"): trial.feed.ph,
        ("pH after standing in air", "pH"): trial.feed.solved.ph_in_air(),
        ("carbon dioxide", "mg/L CO2"): trial.feed.solved.heated(ROOM_C).co2_mg_l,
        ("chloride", "mg/L Cl"): water.chloride_mg_l,
        ("sodium", "mg/L Na"): water.sodium_mg_l,
        ("potassium", "mg/L K"): water.potassium_mg_l,
        ("conductivity", "µS/cm"): trial.feed.conductivity,
        ("free chlorine", "mg/L Cl2"): trial.feed.free_chlorine,
    })


def _medians(amounts: dict[str, Vector]) -> dict[str, float]:
    return {key: float(np.median(v)) for key, v in amounts.items()}


def _median(draws: Vector | None) -> float | None:
    """The median, None where nothing is known or it never ends."""
    if draws is None:
        return None
    value = float(np.median(draws))
    return value if isfinite(value) else None


def _why(option: Option, above: Option | None) -> str:
    """The reason for the rank in one sentence."""
    if above is None:
        return _first(option)
    here, there = option.standing, above.standing
    for severity in SEVERITIES[:4]:
        if here.of(severity) != there.of(severity):
            return (f"Behind the one above: {WORDS[severity]} {here.of(severity).words}, "
                    f"there {there.of(severity).words}.")
    if here.cup_ph != there.cup_ph:
        return f"Behind the one above: the pH in the cup is {here.cup_ph.words}, there {there.cup_ph.words}."
    return "As good as the one above, but it intervenes more or costs more."


def _first(option: Option) -> str:
    grave = [(s, option.standing.of(s)) for s in SEVERITIES[:4] if option.standing.of(s) != Grade.IN]
    if not grave:
        return "First: nothing is out, and of those where nothing is, it intervenes least."
    severity, found = grave[0]
    return f"First, though {WORDS[severity]} stays {found.words}: every other does worse or intervenes more."
