"""Explanations of a pair of feed and treated sample, each with its prior probability and its likelihood.

Every likelihood is an average over draws of all that is unknown: the true feed water, the unit's departures from its
data sheet, its setting, its wear, and loss of CO2 on standing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal, get_args

import msgspec
import numpy as np

from assess.diagnosis.prediction import (
    COMPARED,
    PredictedWater,
    UnitDraws,
    chance_of_wear,
    lost,
    predicted,
    shared_errors,
    standard_uncertainty,
    untreated,
)
from assess.diagnosis.result import Upstream
from assess.draws import DrawnFeed, draw
from assess.inputs.sample import Sample, completed
from assess.treatment.treatment import Treatment
from shared.errors import InputError
from shared.estimate import Estimate
from shared.water import Vector

Explanation = Literal["working", "setting-off", "exhausted", "swapped", "not-explained"]
EXPLANATIONS: Final[tuple[Explanation, ...]] = get_args(Explanation)
#: Draws for each explanation.
_DRAWS: Final = 2000
#: Prior probabilities of a head at another setting, of each kind of swapped samples, and of anything else. Chance that
#: the carbon lets chlorine through, and that a sample stood in the air before the test; the share of the way to the
#: pH in air that others lost. Common practice, no source.
SETTING_OFF, _SWAPPED, _ELSE = 0.08, 0.02, 0.01
_CARBON, _STOOD, _FRESH = 0.1, 0.25, 0.15
#: Relative standard uncertainty of feed water after 30 days, and between its usual level and one sample; chance that
#: the mains changed, by how much. Common practice, no source.
_A_MONTH, _USUAL, _CHANGED, _CHANGE = 0.1, 0.08, 0.1, 0.4
_LOG_ROOT_2PI: Final = float(np.log(2.0 * np.pi) / 2.0)
#: Difference from the setting on file from which a setting is wrong. Common practice, no source.
_DIFFERENT: Final = 0.075
#: Width of the values that an explanation outside this list would give: relative to the reading; least for each.
_WIDTHS: Final = {"hardness": 100.0, "alkalinity": 100.0, "ph": 3.0, "chloride": 100.0, "chlorine": 1.0}


@dataclass(frozen=True, slots=True)
class Explained:
    """An explanation with its unnormalised posterior ``weight``; ``state`` and ``weights`` (n,): its draws."""

    what: Explanation
    weight: float
    state: UnitDraws
    weights: Vector


@dataclass(frozen=True)
class PairedSamples:
    """A sample of treated water with its unit and feed water; ``rng`` for all draws."""

    unit: Treatment
    upstream: Upstream
    treated: Sample
    rng: np.random.Generator

    @cached_property
    def compared(self) -> frozenset[str]:
        """Analytes measured in both. Raises InputError if there are none."""
        both = {e.analyte for e in self.upstream.feed.estimates} & {e.analyte for e in self.treated.estimates}
        if not both & set(COMPARED):
            raise InputError("feed water and treated water have no analyte in common", where=self.treated.name,
                             allowed=", ".join(COMPARED), remedy="measure both with the same strip")
        return frozenset(both & set(COMPARED))

    @cached_property
    def feed(self) -> DrawnFeed:
        """Draws of the feed water at the time of the treated sample."""
        return self.drawn_feed()

    def drawn_feed(self) -> DrawnFeed:
        """Return new draws of the feed water at the time of the treated sample."""
        return self.drawn(_aged(self.upstream.feed, self.upstream.feed_days))

    def drawn(self, sample: Sample) -> DrawnFeed:
        """Return draws of a water from its sample."""
        return draw(completed(sample), self.rng, _DRAWS)

    def state(self, n: int, *, setting: Vector | None = None, worn: bool = False) -> UnitDraws:
        """Return draws of the unit's state: as set unless a ``setting`` is given."""
        bad = self.rng.random(n) < _CARBON
        stood = self.rng.random(n) < _STOOD
        return UnitDraws(
            setting=self._as_set(n) if setting is None else setting,
            lost=lost(self.upstream.usage, self.rng, n, worn=worn),
            carbon=np.where(bad, self.rng.uniform(0.1, 1.0, n), 0.0),
            aired=np.where(stood, self.rng.uniform(_FRESH, 1.0, n), self.rng.uniform(0.0, _FRESH, n)))

    def _as_set(self, n: int) -> Vector:
        set_to = self.upstream.installed.setting
        if set_to is None and self.unit.setting is not None:
            return self.rng.choice(self.unit.setting.grid(), n)
        return np.full(n, set_to or 0.0)

    def other_settings(self, n: int) -> Vector | None:
        """Return draws of settings other than the one on file; None where there is no setting or none is on file."""
        set_to = self.upstream.installed.setting
        if self.unit.setting is None or set_to is None:
            return None
        grid = self.unit.setting.grid()
        others = grid[np.abs(grid - set_to) > _DIFFERENT]
        return self.rng.choice(others, n) if others.size else None

    def log_prior(self, feed: DrawnFeed) -> Vector:
        """Return the log of the prior density (n,) of a feed water, from its usual level; 0 without one."""
        total = np.zeros(feed.feed.ph.size)
        for e in self.upstream.usual:
            if e.analyte in feed.inputs and e.analyte in self.compared:
                z = (feed.inputs[e.analyte] - e.value) ** 2 / 2
                near, far = (np.hypot(standard_uncertainty(e), share * e.value) for share in (_USUAL, _CHANGE))
                total = total - _LOG_ROOT_2PI + np.logaddexp(np.log((1 - _CHANGED) / near) - z / near**2,
                                             np.log(_CHANGED / far) - z / far**2)
        return total


def _aged(feed: Sample, days: float) -> Sample:
    """Return a feed sample with intervals widened for its age."""
    more = _A_MONTH * min(1.0, (abs(days) / 30.0) ** 0.5) if abs(days) > 1.0 else 0.0
    return msgspec.structs.replace(feed, estimates=tuple(_widened(e, more) for e in feed.estimates))


def _widened(e: Estimate, share: float) -> Estimate:
    if share == 0.0 or e.status != "measured" or e.analyte == "ph":
        return e
    half = 2.0 * share * e.value
    return msgspec.structs.replace(e, low=max(0.0, e.value - np.hypot(e.value - e.low, half)),
                                   high=float(e.value + np.hypot(e.high - e.value, half)))


def explanations(pair: PairedSamples) -> list[Explained]:
    """Return every explanation with its posterior weight."""
    worn = chance_of_wear(pair.upstream.usage, pair.rng) if _wears(pair.unit) else 0.0
    n = pair.feed.feed.ph.size
    turned = pair.other_settings(n)
    off = 0.0 if turned is None else SETTING_OFF
    hypotheses = [_unit_explains(pair, "working", (1.0 - worn) * (1.0 - off), pair.state(n))]
    if turned is not None:
        hypotheses.append(_unit_explains(pair, "setting-off", (1.0 - worn) * off, pair.state(n, setting=turned)))
    if worn > 0:
        hypotheses.append(_unit_explains(pair, "exhausted", worn, pair.state(n, worn=True)))
    return [*hypotheses, *_swapped(pair), _anything_else(pair)]


def _wears(unit: Treatment) -> bool:
    """Return whether a unit changes ions, so that it can be exhausted in a way that strips show."""
    return unit.unit is not None and unit.kind not in ("particle-filter", "carbon-filter", "scale-inhibitor")


def _unit_explains(pair: PairedSamples, what: Explanation, prior: float, state: UnitDraws) -> Explained:
    water = predicted(pair.unit, pair.feed, state)
    return _weighed(what, prior, state, pair.log_prior(pair.feed) + _likelihood(pair, water, pair.treated, pair.feed))


def _likelihood(pair: PairedSamples, water: PredictedWater, read: Sample, feed: DrawnFeed) -> Vector:
    common = shared_errors(feed, pair.upstream.feed, pair.rng) if pair.upstream.same_chart else {}
    return water.log_likelihood(read, pair.compared, common)


def _swapped(pair: PairedSamples) -> Iterator[Explained]:
    """Return the ways in which samples can be swapped: both of the feed water, exchanged, both treated."""
    n = pair.feed.feed.ph.size
    state = pair.state(n)
    yield _weighed("swapped", _SWAPPED, state, pair.log_prior(pair.feed) + _likelihood(
        pair, untreated(pair.feed, state), pair.treated, pair.feed))
    turned = pair.drawn(pair.treated)
    state = pair.state(turned.feed.ph.size)
    yield _weighed("swapped", _SWAPPED, state, pair.log_prior(turned) + predicted(
        pair.unit, turned, state).log_likelihood(pair.upstream.feed, pair.compared, {}))
    if {"hardness", "alkalinity"} <= {e.analyte for e in pair.upstream.usual}:
        yield _both_treated(pair)


def _both_treated(pair: PairedSamples) -> Explained:
    feed = pair.drawn(Sample(name="usual feed water", origin="strip", estimates=pair.upstream.usual))
    state = pair.state(feed.feed.ph.size)
    water = predicted(pair.unit, feed, state)
    both = sum((water.log_likelihood(read, pair.compared, {}) for read in (pair.treated, pair.upstream.feed)),
               np.zeros(state.lost.size))
    return _weighed("swapped", _SWAPPED, state, both)


def _anything_else(pair: PairedSamples) -> Explained:
    density = sum(-np.log(max(_WIDTHS[e.analyte], 1.5 * e.value if e.analyte != "ph" else 0.0))
                  for e in pair.upstream.feed.estimates if e.analyte in pair.compared)
    return _weighed("not-explained", _ELSE, pair.state(pair.feed.feed.ph.size),
                    pair.log_prior(pair.feed) + density)


def _weighed(what: Explanation, prior: float, state: UnitDraws, log_weights: Vector) -> Explained:
    weights = np.exp(log_weights)
    return Explained(what, prior * float(np.mean(weights)), state, weights)
