"""Treatments as options: the water they give, what they consume, and the reason for their rank."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from typing import Final

import msgspec
import numpy as np

from assess.choice import Choice, Chooser, breaks
from assess.decision import VERDICTS, Verdict
from assess.draws import Feed, Interval, interval
from assess.equipment import Preference
from assess.judgement import Judgement
from assess.limits import MEASURES, SEVERITIES, Severity
from assess.loss import Loss
from assess.running_cost import Consumption, CostItem, UpkeepAndCost, comparable_costs, upkeep_and_cost
from assess.treatment.cautions import HOT_DRAIN, MEMBRANE_SCALING, by_severity
from assess.treatment.options import TreatmentStage, stages
from assess.treatment.unit import Kind, is_membrane
from assess.treatment.upkeep import LeakagePoint, PartLife, leakage_curve
from assess.treatment_trial import TreatmentSimulator, Trial
from assess.water_properties import Change, Outlet, TapProperties, changes, entered, outlet, properties
from shared.analytes import input_name
from shared.water import Vector, speciate
from shared.water.treating import concentrate_factor

#: Severities in a sentence.
WORDS: Final[dict[Severity, str]] = {
    "machine": "the machine's limits", "scale": "scale", "leaching": "leaching and corrosion", "cup": "the cup"}

#: Saturation index of the reject from which a membrane scales without an antiscalant (common practice, no source).
_MEMBRANE_SCALES: Final = 1.0
#: Losses and gains (noticeable differences) below this are not stated.
_STATED_GAIN: Final = 0.05
class Outcome(msgspec.Struct, frozen=True, kw_only=True):
    """A criterion, by its id among the tap's judgements, for the treated water."""

    id: str
    name: str
    value: float
    low: float
    high: float
    probability: float
    verdict: Verdict
    severity: Severity = "information"


class Option(msgspec.Struct, frozen=True, kw_only=True):
    """One treatment at its best setting, and its effects. ``rank`` 1 is recommended; ``why``: reason for the rank.

    ``kind``: its highest level; ``stages``: units in order of flow. ``passes``: settings that are equally good.
    ``drain_days``: drain the steam boiler this often in addition. ``loss``: noticeable differences. ``breaks``:
    criteria that the tap meets and this option does not. ``changes``: the water before and after. ``brought``
    and ``dose``: mg/L. ``litres``, ``days``: until the unit is exhausted; None: nothing is exhausted, or not
    known. ``parts``: lives of the unit's parts; ``leakage``: hardness over its life; ``costs`` of a year with a
    known price.
    """

    id: str
    kind: Kind
    name: str
    rank: int
    why: str
    installed: bool
    setting_name: str | None
    setting: float | None
    passes: tuple[float, float] | None
    drain_days: float | None
    stages: tuple[TreatmentStage, ...]
    outlet: Outlet
    outcomes: tuple[Outcome, ...]
    verdicts: dict[Severity, Verdict]
    loss: Loss
    breaks: tuple[str, ...]
    better: tuple[str, ...]
    worse: tuple[str, ...]
    changes: tuple[Change, ...]
    brought: dict[str, float]
    dose: dict[str, float]
    feed_per_litre: float | None
    litres: Interval | None
    days: Interval | None
    yearly_cost: float | None
    currency: str | None
    consumption: Consumption | None
    cautions: tuple[str, ...]
    parts: tuple[PartLife, ...] = ()
    leakage: tuple[LeakagePoint, ...] = ()
    costs: tuple[CostItem, ...] = ()

    @property
    def broken(self) -> tuple[Severity, ...]:
        """Severities with a criterion out of limits."""
        return tuple(s for s in SEVERITIES[:4] if self.verdicts.get(s) == "out-of-limits")


class Options(msgspec.Struct, frozen=True, kw_only=True):
    """All options, the recommended one first; ``closest``: id of the one closest to the target.

    ``measure_first``: the analyte that was not measured and decides which treatment fits.
    """

    all: tuple[Option, ...]
    closest: str
    installed: Option | None
    measure_first: str | None = None


@dataclass(frozen=True, slots=True)
class Policy:
    """How to choose: the margin a higher level must gain (noticeable differences), and the preference."""

    margin: float
    prefer: Preference


def rank_options(
    bench: TreatmentSimulator, trials: list[Trial], policy: Policy, installed: Trial | None = None
) -> Options:
    """Return the trials as options ranked by a policy; the first trial is the tap's."""
    tap = trials[0]
    keeps = upkeeps(bench, trials)
    choice = choose(policy, [t for t in trials if t is not installed], keeps)
    ordered = choice.order if installed is None else (*choice.order, installed)
    before = TapProperties(properties(tap.feed), entered(bench.judge.inputs))
    options = [_option(t, tap, before, keeps[id(t)]) for t in ordered]
    first = options[0]
    ranked = tuple(msgspec.structs.replace(o, rank=i, why=_why(o, first, choice), installed=t is installed)
                 for i, (o, t) in enumerate(zip(options, ordered, strict=True), start=1))
    return Options(all=ranked, closest=choice.closest.treatment.id, installed=None if installed is None else ranked[-1])


def upkeeps(bench: TreatmentSimulator, trials: list[Trial]) -> dict[int, UpkeepAndCost | None]:
    """Return upkeep and cost of each trial, by the identity of the trial; the first one is the tap's."""
    return {id(t): upkeep_and_cost(t, trials[0], bench.equipment) for t in trials}


def choose(policy: Policy, trials: list[Trial], keeps: dict[int, UpkeepAndCost | None]) -> Choice:
    """Return the choice among ``trials`` by a policy; the first trial is the tap's."""
    costs = comparable_costs({key: keep.cost for key, keep in keeps.items() if keep is not None})
    return Chooser(policy.margin, policy.prefer, costs).choose(trials, trials[0])


def _option(trial: Trial, tap: Trial, before: TapProperties, kept: UpkeepAndCost | None) -> Option:
    treatment, treated = trial.treatment, trial.treated
    after = before.unchanged_as_entered(properties(trial.feed))
    option = Option(
        id=treatment.id, kind=treatment.kind, name=treatment.name, rank=0, why="", installed=False,
        setting_name=None if treatment.setting is None else treatment.setting.name, setting=trial.setting,
        passes=trial.passes, drain_days=trial.drain_days, stages=stages(treatment), outlet=outlet(after),
        outcomes=tuple(map(_outcome, trial.judgements)), verdicts=_verdicts(trial.judgements), loss=trial.loss,
        breaks=breaks(trial, tap), better=tuple(_moved(tap, trial, better=True)),
        worse=tuple(_moved(tap, trial, better=False)), changes=changes(before.as_entered, after),
        brought=_medians(treated.brought), dose=_medians(treated.dose), feed_per_litre=_median(treated.feed_per_litre),
        litres=None, days=None, yearly_cost=None, currency=None, consumption=None,
        cautions=by_severity((*treatment.cautions, *_more_cautions(trial, tap))))
    return option if kept is None else _with_upkeep(option, trial, tap, kept)


def _with_upkeep(option: Option, trial: Trial, tap: Trial, kept: UpkeepAndCost) -> Option:
    keep, cost = kept
    leakage = () if keep.litres is None else leakage_curve(
        option.kind, keep.litres, feed=tap.feed.water, treated=trial.feed.water)
    return msgspec.structs.replace(
        option, litres=_life(keep.litres), days=_life(keep.days), parts=keep.parts, leakage=leakage, costs=cost.items,
        yearly_cost=cost.total, currency=cost.currency, consumption=cost.consumption)


def _more_cautions(trial: Trial, tap: Trial) -> Iterator[str]:
    """Cautions that depend on this water: draining besides the treatment, a membrane that scales."""
    if trial.drain_days is not None:
        yield HOT_DRAIN
    unit = trial.treatment.unit
    if unit is None or unit.recovery is None or not is_membrane(unit.kind):
        return
    if _reject_index(tap.feed, unit.recovery) > _MEMBRANE_SCALES:
        yield MEMBRANE_SCALING


def _reject_index(feed: Feed, recovery: float) -> float:
    """Saturation index of calcite in the reject of a membrane (median)."""
    t_c, factor = float(np.median(feed.temperature)), concentrate_factor(recovery)
    index = feed.solved.once(("reject", recovery), lambda water: speciate(water.scaled(factor), t_c).si_calcite)
    return float(np.median(index))


def _outcome(j: Judgement) -> Outcome:
    return Outcome(id=j.id, name=j.title, value=j.value, low=j.low, high=j.high, probability=j.probability,
                   verdict=j.verdict, severity="information" if j.not_measured else j.severity)


def _verdicts(judgements: tuple[Judgement, ...]) -> dict[Severity, Verdict]:
    verdicts: dict[Severity, Verdict] = {}
    for j in judgements:
        if j.severity != "information" and not j.not_measured:
            verdicts[j.severity] = max(verdicts.get(j.severity, "within-limits"), j.verdict, key=VERDICTS.index)
    return verdicts


def _moved(tap: Trial, trial: Trial, *, better: bool) -> Iterator[str]:
    """Criteria whose verdict is better or worse than the tap's."""
    before = {j.id: VERDICTS.index(j.verdict) for j in tap.judgements}
    for j in trial.judgements:
        now = VERDICTS.index(j.verdict)
        if j.severity != "information" and (now < before[j.id] if better else now > before[j.id]):
            yield j.title


def _medians(amounts: dict[str, Vector]) -> dict[str, float]:
    return {key: float(np.median(v)) for key, v in amounts.items()}


def _median(draws: Vector | None) -> float | None:
    """The median; None where it is not known or infinite."""
    if draws is None:
        return None
    value = float(np.median(draws))
    return value if isfinite(value) else None


def _life(draws: Vector | None) -> Interval | None:
    """Median and 95 % interval of a life; None where it is not known or infinite."""
    if draws is None or not np.all(np.isfinite(draws)):
        return None
    return interval(np.atleast_1d(draws))


def _why(option: Option, first: Option, choice: Choice) -> str:
    """The reason for its rank, in one sentence."""
    if option is first:
        return _reason(option, choice)
    if option.breaks:
        names = {o.id: o.name for o in option.outcomes}
        return f"Not recommended: takes {', '.join(names[b] for b in option.breaks)} out of limits."
    if option.loss.beyond > first.loss.beyond:
        return f"Not recommended: {' and '.join(WORDS[s] for s in option.broken)} out of limits."
    if first.loss.total - option.loss.total >= _STATED_GAIN:
        return (f"{distance(option.loss)}: closer than the recommended option, but a higher level of intervention.")
    return f"{distance(option.loss)}."


def _reason(option: Option, choice: Choice) -> str:
    if option.kind == "softener-bypass":
        return "The water upstream of the softener decides what else is needed."
    if option.loss.beyond > 0:
        return "No option in the list keeps the machine within limits; this one comes closest."
    if option.id == choice.closest.treatment.id:
        return "The lowest level of intervention, and no option comes closer to the target."
    return (f"The lowest level of intervention that is close enough: {option.loss.total:.1f} noticeable differences "
            f"from the target; {choice.closest.treatment.name}: {choice.closest.loss.total:.1f}.")


def distance(loss: Loss) -> str:
    """Return a loss with what contributes most to it, in words."""
    largest = costs(loss)
    return f"{loss.total:.1f} noticeable differences from the target{f' ({largest})' if largest else ''}"


def costs(loss: Loss) -> str:
    """Return what contributes most to a loss, in words; empty where nothing does."""
    named = {**{MEASURES[k].name: v for k, v in loss.cup.items()},
             **{WORDS[s]: v for s, v in loss.machine.items() if s in WORDS}, "maintenance": loss.work}
    largest = sorted(named.items(), key=lambda item: -item[1])[:2]
    return ", ".join(f"{name} {cost:.1f}" for name, cost in largest if cost >= _STATED_GAIN)


def measured_first(options: Options, analyte: str | None) -> Options:
    """Return the options with "no treatment" first, because ``analyte`` has to be measured before anything else."""
    if analyte is None:
        return options
    ordered = sorted(options.all, key=lambda o: o.kind != "none")
    why = f"Nothing is installed before {input_name(analyte)} is measured: it decides which treatment fits."
    ranked = (msgspec.structs.replace(o, rank=i, why=why if i == 1 else o.why) for i, o in enumerate(ordered, start=1))
    return msgspec.structs.replace(options, all=tuple(ranked), measure_first=analyte)
