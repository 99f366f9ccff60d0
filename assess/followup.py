"""After fitting: whether the water behind the unit reads as it should."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import msgspec
import numpy as np

from assess.draws import Feed
from assess.inputs.sample import Sample
from assess.rows import treated_feed
from assess.treatment.treatment import Treatment
from assess.treatment_trial import TreatmentSimulator
from shared.analytes import input_name
from shared.errors import InputError
from shared.estimate import Z95, Estimate
from shared.water import Vector

State = Literal["working", "setting-off", "exhausted", "not-explained"]
#: 95 % points of chi squared, 1 to 5 degrees of freedom (NIST/SEMATECH e-Handbook, 1.3.6.7.4).
_CHI2_95: Final = (3.841, 5.991, 7.815, 9.488, 11.070)
#: Steps at which another setting is tried as the explanation.
_STEPS: Final = 41
#: Draws of the tap, enough for a mean and a standard deviation.
_DRAWS: Final = 300
_COMPARED: Final = {
    "hardness": lambda feed: feed.water.hardness,
    "alkalinity": lambda feed: feed.water.alkalinity_caco3,
    "ph": lambda feed: feed.ph,
    "chloride": lambda feed: feed.water.chloride_mg_l,
    "chlorine": lambda feed: feed.free_chlorine,
}


class PredictionCheck(msgspec.Struct, frozen=True, kw_only=True):
    """One analyte behind the unit: predicted with its standard uncertainty, and read."""

    analyte: str
    predicted: float
    u_predicted: float
    read: Estimate


class FollowUp(msgspec.Struct, frozen=True, kw_only=True):
    """The finding in a sentence; ``acts_like``: the setting whose water the reading would be."""

    state: State
    sentence: str
    compared: tuple[PredictionCheck, ...]
    acts_like: float | None = None


@dataclass(frozen=True, slots=True)
class _Hypothesis:
    """How a setting, or no treatment at all (None), would read."""

    setting: float | None
    misfit: float


def follow_up(bench: TreatmentSimulator, treatment: Treatment, *, setting: float | None, after: Sample) -> FollowUp:
    """The reading ``after`` the unit against what the tap's reading and its ``setting`` predict."""
    read = {e.analyte: e for e in after.estimates if e.analyte in _COMPARED and e.status == "measured"}
    if not read:
        raise InputError("nothing was read behind the unit that can be compared", where=after.name,
                         allowed=", ".join(_COMPARED))
    tap = bench.tap.take(_DRAWS)
    expected = _behind(treatment, tap, setting)
    compared = tuple(_compared(key, e, expected) for key, e in read.items())
    limit = _CHI2_95[len(read) - 1]
    if _misfit(expected, read) <= limit:
        return FollowUp(state="working", compared=compared, acts_like=setting,
                        sentence="The unit works as predicted: every value behind it agrees with its reading's doubt.")
    raw = _Hypothesis(None, _misfit(tap, read))
    best = min(_other_settings(treatment, tap, read), key=lambda h: h.misfit, default=raw)
    return _explained(min(raw, best, key=lambda h: h.misfit), treatment, compared, limit)


def _explained(
    found: _Hypothesis, treatment: Treatment, compared: tuple[PredictionCheck, ...], limit: float
) -> FollowUp:
    if found.misfit > limit:
        off = max(compared, key=lambda c: abs(c.read.value - c.predicted) / _u(c.read, c.u_predicted))
        sentence = ("Neither the setting nor exhaustion explains the reading behind the unit "
                    f"({input_name(off.analyte)} least of all): the tap water may have changed. "
                    "Read tap and unit again on the same day.")
        return FollowUp(state="not-explained", compared=compared, sentence=sentence)
    if found.setting is None:
        sentence = "Behind the unit the water reads like the tap's: it is exhausted or bypassed. Change it."
        return FollowUp(state="exhausted", compared=compared, sentence=sentence)
    name = treatment.setting.name if treatment.setting else "setting"
    sentence = (f"The unit acts as if its {name} stood at {100 * found.setting:.0f} %: check the head first; "
                "if it stands right, the unit is on its way to exhaustion.")
    return FollowUp(state="setting-off", compared=compared, acts_like=found.setting, sentence=sentence)


def _other_settings(treatment: Treatment, tap: Feed, read: dict[str, Estimate]) -> list[_Hypothesis]:
    if treatment.setting is None:
        return []
    grid = np.linspace(treatment.setting.low, treatment.setting.high, _STEPS)
    return [_Hypothesis(float(s), _misfit(_behind(treatment, tap, float(s)), read)) for s in grid]


def _behind(treatment: Treatment, tap: Feed, setting: float | None) -> Feed:
    t_c = float(np.median(tap.temperature))
    return treated_feed(tap, treatment.treat(tap.water, 0.0 if setting is None else setting, t_c=t_c))


def _misfit(feed: Feed, read: dict[str, Estimate]) -> float:
    """Sum of squared differences in standard uncertainties: chi squared where the hypothesis is true."""
    total = 0.0
    for key, e in read.items():
        predicted: Vector = _COMPARED[key](feed)
        total += ((e.value - float(predicted.mean())) / _u(e, float(predicted.std()))) ** 2
    return total


def _u(read: Estimate, u_predicted: float) -> float:
    """Of the difference. Doubt shared by both readings is counted twice: the finding errs on the mild side."""
    return max(float(np.hypot((read.high - read.low) / (2 * Z95), u_predicted)), 1e-9)


def _compared(key: str, read: Estimate, expected: Feed) -> PredictionCheck:
    predicted: Vector = _COMPARED[key](expected)
    return PredictionCheck(
        analyte=key, predicted=float(predicted.mean()), u_predicted=float(predicted.std()), read=read
    )
