"""Commissioning by strip: position of the head and remaining capacity, from feed water and treated water."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from assess.diagnosis.diagnosis import weighted_interval
from assess.diagnosis.hypotheses import PairedSamples
from assess.diagnosis.prediction import UnitDraws, predicted, shared_errors, used_and_lost
from assess.diagnosis.result import STATED, UnitDiagnosis, UnitUsage, Upstream
from assess.inputs.sample import Sample
from assess.treatment.treatment import Treatment
from assess.treatment.upkeep import STEEPNESS, lost_removal
from shared.errors import InputError
from shared.water import Vector

#: Largest share of the capacity that a unit of unknown usage may have used. Common practice, no source.
_MOST_USED: Final = 1.3
#: Chance that the recorded usage is wrong, as after a change of the cartridge that was not recorded; share of the draws
#: that assume it, weighted by that chance. Common practice, no source.
_UNRECORDED, _DRAWN_UNRECORDED = 0.02, 0.25
#: Share by which a head may be off beyond its first and last mark, so that an interval can contain them.
_BEYOND: Final = 0.1
#: Least and most sets of draws, each as many as a diagnosis has; more are drawn for fewer effective draws than this.
_SETS, _MOST_SETS, _EFFECTIVE = 4, 24, 60.0
_NOT_RECORDED: Final = (" The treated water does not fit the recorded usage: check the meter readings, and record "
                        "changes of the cartridge.")


class PosteriorInterval(msgspec.Struct, frozen=True, kw_only=True):
    """Median and 95 % interval of a share, 0 to 1."""

    value: float
    low: float
    high: float


class Commissioning(msgspec.Struct, frozen=True, kw_only=True):
    """Position of the head, remaining capacity as a share of the whole, and what to do next.

    ``on_file``: the recorded setting. ``setting`` None: the unit has no setting.
    """

    unit: str
    setting_name: str
    on_file: float | None
    setting: PosteriorInterval | None
    remaining: PosteriorInterval
    confirmed: bool
    advice: str


def commission(unit: Treatment, upstream: Upstream, treated: Sample, rng: np.random.Generator) -> Commissioning:
    """Return the posterior of setting and remaining capacity. Raises InputError for a unit that strips cannot judge."""
    if unit.unit is None:
        raise InputError("the installed unit cannot be commissioned with strips", where=treated.name, found=unit.name)
    setting, used, unrecorded, weights = _posterior(PairedSamples(unit, upstream, treated, rng))
    remaining = _interval(np.clip(1.0 - used, 0.0, 1.0), weights)
    at = None if unit.setting is None else _interval(setting, weights)
    on_file = upstream.installed.setting
    confirmed = at is None or (on_file is not None and at.low <= on_file <= at.high)
    return Commissioning(
        unit=unit.name, setting_name=unit.setting.name if unit.setting else "", on_file=on_file, setting=at,
        remaining=remaining, confirmed=confirmed, advice=_advice(unit, on_file, at, confirmed=confirmed)
        + (_NOT_RECORDED if np.average(unrecorded, weights=weights) >= STATED else ""))


def advised(commissioning: Commissioning, diagnosis: UnitDiagnosis | None) -> Commissioning:
    """Return it without advice on the setting where samples or cartridge, by the diagnosis, are the likely fault."""
    if diagnosis is None or commissioning.setting is None or diagnosis.possible[0] in ("working", "setting_off"):
        return commissioning
    return msgspec.structs.replace(
        commissioning, confirmed=False,
        advice=f"These samples do not show the {commissioning.setting_name}. First {diagnosis.action}.")


def _posterior(pair: PairedSamples) -> tuple[Vector, Vector, Vector, Vector]:
    """Return draws as `_set`, with their weights."""
    drawn: list[tuple[Vector, Vector, Vector, Vector]] = []
    weights = np.zeros(1)
    while len(drawn) < _SETS or (len(drawn) < _MOST_SETS and weights.sum() ** 2 < _EFFECTIVE * np.sum(weights**2)):
        drawn.append(_set(pair))
        logs = np.concatenate([part[3] for part in drawn])
        weights = np.exp(logs - logs.max())
    setting, used, unrecorded = (np.concatenate([part[i] for part in drawn]) for i in range(3))
    return setting, used, unrecorded, weights


def _set(pair: PairedSamples) -> tuple[Vector, Vector, Vector, Vector]:
    """Return draws of setting, used capacity and whether the recorded usage is wrong, with their log-weight."""
    feed, rng = pair.drawn_feed(), pair.rng
    n = feed.feed.ph.size
    used, lost, unrecorded, prior = _used(pair.upstream.usage, rng, n)
    state = pair.state(n)
    setting = state.setting
    if pair.unit.setting is not None:
        grid = pair.unit.setting.grid()
        setting = rng.uniform(float(grid.min()) - _BEYOND, float(grid.max()) + _BEYOND, n)
    water = predicted(pair.unit, feed, UnitDraws(setting, lost, state.carbon, state.aired))
    common = shared_errors(feed, pair.upstream.feed, rng) if pair.upstream.same_chart else {}
    return np.clip(setting, 0.0, 1.0), used, unrecorded, prior + water.log_likelihood(
        pair.treated, pair.compared, common)


def _used(usage: UnitUsage | None, rng: np.random.Generator, n: int) -> tuple[Vector, Vector, Vector, Vector]:
    """Return draws of used capacity, removal lost and whether the recorded usage is wrong; log of their weight."""
    low, high = np.log(STEEPNESS)
    used = rng.uniform(0.0, _MOST_USED, n)
    lost = lost_removal(used, np.exp(rng.uniform(low, high, n)))
    if usage is None:
        return used, lost, np.zeros(n), np.zeros(n)
    unrecorded = np.arange(n) < _DRAWN_UNRECORDED * n
    known, known_lost = used_and_lost(usage, rng, n)
    prior = np.where(unrecorded, _UNRECORDED / _DRAWN_UNRECORDED, (1.0 - _UNRECORDED) / (1.0 - _DRAWN_UNRECORDED))
    return (np.where(unrecorded, used, known), np.where(unrecorded, lost, known_lost), unrecorded.astype(float),
            np.log(prior))


def _interval(values: Vector, weights: Vector) -> PosteriorInterval:
    middle, low, high = weighted_interval(values, weights)
    return PosteriorInterval(value=middle, low=low, high=high)


def _advice(unit: Treatment, on_file: float | None, at: PosteriorInterval | None, *, confirmed: bool) -> str:
    if at is None or unit.setting is None:
        return "The unit has no setting to confirm. The strips show its remaining capacity."
    name, shown = unit.setting.name, f"{100 * at.value:.0f} % ({100 * at.low:.0f} to {100 * at.high:.0f} %)"
    if on_file is None:
        return f"The {name} is at about {shown}; no setting is on file. Record it."
    if confirmed:
        return f"The {name} of {100 * on_file:.0f} % agrees with the treated water, which corresponds to {shown}."
    return (f"The {name} is at about {shown}, not {100 * on_file:.0f} %: turn it to {100 * on_file:.0f} %, flush the "
            "unit and test again.")
