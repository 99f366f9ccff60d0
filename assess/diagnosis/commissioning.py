"""Commissioning by strip: position of the head and remaining capacity, from feed water and treated water."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from assess.diagnosis.hypotheses import PairedSamples
from assess.diagnosis.prediction import UnitDraws, predicted, shared_errors, used_and_lost
from assess.diagnosis.upstream import UnitUsage, Upstream
from assess.inputs.sample import Sample
from assess.treatment.treatment import Treatment
from assess.treatment.upkeep import STEEPNESS, lost_removal
from shared.errors import InputError
from shared.water import Vector

#: Largest share of the capacity that a unit of unknown usage may have used. Common practice, no source.
_MOST_USED: Final = 1.3
#: Share by which a head may be off beyond its first and last mark, so that an interval can contain them.
_BEYOND: Final = 0.1
#: Sets of draws; each has as many as a diagnosis.
_SETS: Final = 4


class PosteriorInterval(msgspec.Struct, frozen=True, kw_only=True):
    """Median and 95 % interval of a share, 0 to 1."""

    value: float
    low: float
    high: float


class Commissioning(msgspec.Struct, frozen=True, kw_only=True):
    """Position of the head, remaining capacity as a share of the whole, and what to do next.

    ``on_file``: the recorded setting. ``setting`` None: the unit has nothing to turn.
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
        raise InputError("no unit to commission is installed", where=treated.name, found=unit.name)
    drawn = [_set(PairedSamples(unit, upstream, treated, rng)) for _ in range(_SETS)]
    setting, used, logs = (np.concatenate([part[i] for part in drawn]) for i in range(3))
    weights = np.exp(logs - logs.max())
    remaining = _interval(np.clip(1.0 - used, 0.0, 1.0), weights)
    at = None if unit.setting is None else _interval(setting, weights)
    on_file = upstream.installed.setting
    confirmed = at is None or (on_file is not None and at.low <= on_file <= at.high)
    return Commissioning(
        unit=unit.name, setting_name=unit.setting.name if unit.setting else "", on_file=on_file, setting=at,
        remaining=remaining, confirmed=confirmed, advice=_advice(unit, on_file, at, confirmed=confirmed))


def _set(pair: PairedSamples) -> tuple[Vector, Vector, Vector]:
    """Return draws of setting and used capacity, with their log-likelihood."""
    feed, rng = pair.drawn_feed(), pair.rng
    n = feed.feed.ph.size
    used, lost = _used(pair.upstream.usage, rng, n)
    state = pair.state(n)
    setting = state.setting
    if pair.unit.setting is not None:
        grid = pair.unit.setting.grid()
        setting = rng.uniform(float(grid.min()) - _BEYOND, float(grid.max()) + _BEYOND, n)
    water = predicted(pair.unit, feed, UnitDraws(setting, lost, state.carbon, state.aired))
    common = shared_errors(feed, pair.upstream.feed, rng) if pair.upstream.same_chart else {}
    return np.clip(setting, 0.0, 1.0), used, water.log_likelihood(pair.treated, pair.compared, common)


def _used(usage: UnitUsage | None, rng: np.random.Generator, n: int) -> tuple[Vector, Vector]:
    if usage is not None:
        return used_and_lost(usage, rng, n)
    low, high = np.log(STEEPNESS)
    used = rng.uniform(0.0, _MOST_USED, n)
    return used, lost_removal(used, np.exp(rng.uniform(low, high, n)))


def _interval(values: Vector, weights: Vector) -> PosteriorInterval:
    order = np.argsort(values)
    places = np.cumsum(weights[order]) - weights[order] / 2
    middle, low, high = np.interp([0.5, 0.025, 0.975], places / weights.sum(), values[order])
    return PosteriorInterval(value=float(middle), low=float(low), high=float(high))


def _advice(unit: Treatment, on_file: float | None, at: PosteriorInterval | None, *, confirmed: bool) -> str:
    if at is None or unit.setting is None:
        return "The unit has nothing to turn."
    name, shown = unit.setting.name, f"{100 * at.value:.0f} % ({100 * at.low:.0f} to {100 * at.high:.0f} %)"
    if on_file is None:
        return f"The {name} is at about {shown}; no setting is on file. Record it."
    if confirmed:
        return f"The {name} of {100 * on_file:.0f} % agrees with the treated water, which corresponds to {shown}."
    return (f"The {name} is at about {shown}, not {100 * on_file:.0f} %: turn it to {100 * on_file:.0f} %, flush the "
            "unit and test again.")
