"""Diagnosis of an installed unit from its feed water and its treated water, with its wording."""

from __future__ import annotations

from typing import Final, Literal

import msgspec
import numpy as np

from assess.diagnosis.hypotheses import EXPLANATIONS, SETTING_OFF, Explained, Explanation, PairedSamples, explanations
from assess.diagnosis.prediction import predicted, standard_uncertainty
from assess.diagnosis.result import POSSIBLE, STATED, Explanations, PredictionCheck, State, UnitDiagnosis, Upstream
from assess.inputs.sample import Sample
from assess.treatment.treatment import Treatment
from shared.water import Vector

_NAMES: Final = {
    "working": "the unit works", "setting_off": "wrong setting", "exhausted": "exhausted",
    "swapped": "swapped sample", "not_explained": "another cause"}
#: Probability that the unit works from which nothing needs to be checked.
_AGREES: Final = 0.8
#: What it costs to state that a faulty unit works, in tests of a working one that were not needed: until the next test
#: the water is off, the cartridge is used up or the boiler scales (common practice, no source).
_COST_OF_MISSING: Final = 9.0
#: Stating that a unit works then costs less, on average, than one more test from this probability on.
_LEAST_WORKING: Final = _COST_OF_MISSING / (_COST_OF_MISSING + 1.0)
_AIRED: Final = " The pH fits water that has lost CO2 on standing: measure pH right at the outlet."
_CARBON: Final = " Chlorine passes: the carbon is exhausted."
_CARBON_OR_SAMPLE: Final = " Chlorine passes: unless the samples are wrong, the carbon is exhausted."


def sentence(diagnosis: UnitDiagnosis, unit: Treatment, upstream: Upstream, *, aired: bool) -> str:
    """Return what the treated water shows."""
    return _finding(diagnosis, unit, upstream) + _of_carbon(diagnosis) + (_AIRED if aired else "")


def _of_carbon(diagnosis: UnitDiagnosis) -> str:
    wrong_samples = diagnosis.probabilities.swapped + diagnosis.probabilities.not_explained
    if diagnosis.carbon < STATED or diagnosis.state in ("swapped", "not-explained"):
        return ""
    return _CARBON if wrong_samples < POSSIBLE else _CARBON_OR_SAMPLE


def _finding(diagnosis: UnitDiagnosis, unit: Treatment, upstream: Upstream) -> str:
    match diagnosis.state:
        case "working" | "carbon-exhausted":
            subject = "The treated water" if diagnosis.state == "working" else "Apart from chlorine, the treated water"
            return f"{subject} agrees with the prediction within its uncertainty."
        case "setting-off":
            return f"The treated water does not fit the setting on file: {_position(diagnosis, unit, upstream)}."
        case "exhausted":
            return ("The treated water is closer to the feed water than predicted: the unit is exhausted or nearly "
                    "exhausted.")
        case "swapped":
            return ("Feed water and treated water do not fit this unit in any state: the samples were swapped, or both "
                    "were taken at one tap, or the unit is bypassed.")
        case "not-explained":
            return ("Neither setting nor exhaustion nor swapped samples explain the treated water: the feed water may "
                    "have changed.")
        case _:
            return _inconclusive(diagnosis)


def _inconclusive(diagnosis: UnitDiagnosis) -> str:
    if diagnosis.possible[0] == "working" and diagnosis.carbon < STATED:
        return ("The treated water agrees with the prediction. The unit works with a probability of "
                f"{100 * diagnosis.probabilities.working:.0f} %; a fault that gives the same water cannot be excluded.")
    return f"Cannot be distinguished: {', '.join(_possible(diagnosis))}."


def _possible(diagnosis: UnitDiagnosis) -> list[str]:
    names = _NAMES | ({"working": "exhausted carbon"} if diagnosis.carbon >= STATED else {})
    return [f"{names[name]} ({100 * getattr(diagnosis.probabilities, name):.0f} %)" for name in diagnosis.possible]


def _position(diagnosis: UnitDiagnosis, unit: Treatment, upstream: Upstream) -> str:
    name = unit.setting.name if unit.setting else "setting"
    if diagnosis.acts_like is None:
        return f"check the {name}"
    at, low, high = (100 * share for share in diagnosis.acts_like)
    on_file = "" if upstream.installed.setting is None else f", not {100 * upstream.installed.setting:.0f} %"
    return f"the {name} is at about {at:.0f} % ({low:.0f} to {high:.0f} %){on_file}"


def action(diagnosis: UnitDiagnosis, unit: Treatment, upstream: Upstream) -> str:
    """Return what to do about the unit; empty if it works."""
    match diagnosis.state:
        case "working":
            return ""
        case "carbon-exhausted":
            # What a carbon filter wears out is its cartridge, as in the maintenance schedule.
            return f"change the {'cartridge' if unit.kind == 'carbon-filter' else 'carbon'} ({unit.name})"
        case "setting-off":
            return (f"turn {unit.name} to {_set_to(unit, upstream)} and test again: "
                    f"{_position(diagnosis, unit, upstream)}")
        case "exhausted":
            return f"change the cartridge ({unit.name})"
        case "swapped" | "not-explained":
            return f"test tap and treated water of {unit.name} again on the same day, and label each sample"
        case _:
            return _checks(diagnosis, unit, upstream)


def _set_to(unit: Treatment, upstream: Upstream) -> str:
    setting = upstream.installed.setting
    name = unit.setting.name if unit.setting else "setting"
    return f"its {name}" if setting is None else f"{name} {100 * setting:.0f} %"


def _checks(diagnosis: UnitDiagnosis, unit: Treatment, upstream: Upstream) -> str:
    """Return the checks that distinguish what is possible, the least effort first."""
    possible, steps = diagnosis.possible, []
    again = f"test tap and treated water of {unit.name} again on the same day"
    if diagnosis.carbon >= STATED and "working" in possible:
        return f"{again}; if chlorine passes again, change the carbon"
    if possible[0] == "working":
        return "" if diagnosis.probabilities.working >= _AGREES else again
    if "setting_off" in possible:
        steps.append(f"check the head of {unit.name} ({_set_to(unit, upstream)} on file)")
    if "swapped" in possible or "not_explained" in possible:
        steps.append("test tap and treated water again on the same day")
    if "exhausted" in possible:
        steps.append("change the cartridge")
    return ", then ".join(steps) or again


#: Share of the chlorine that passes from which the carbon is exhausted; of the way to the pH in air, from which loss
#: of CO2 explains the pH. Common practice, no source.
_LEAST: Final = {"carbon": 0.1, "aired": 0.15}
#: Explanations by the state of the unit, not by mistakes of sampling.
_OF_UNIT: Final[tuple[Explanation, ...]] = ("working", "setting-off", "exhausted")


def diagnose(unit: Treatment, upstream: Upstream, treated: Sample, rng: np.random.Generator) -> UnitDiagnosis:
    """Return the diagnosis of a unit from a sample of its treated water. Raises InputError if nothing is comparable."""
    pair = PairedSamples(unit, upstream, treated, rng)
    hypotheses = explanations(pair)
    total = sum(x.weight for x in hypotheses) or 1.0
    weights = {what: sum(x.weight for x in hypotheses if x.what == what) / total for what in EXPLANATIONS}
    carbon, aired = _probability(hypotheses, "carbon"), _probability(hypotheses, "aired")
    made = UnitDiagnosis(
        state="working", sentence="", action="", compared=_compared(pair, hypotheses[0]), acts_like=_acts_like(pair),
        probabilities=Explanations(**{what.replace("-", "_"): p for what, p in weights.items()}),
        carbon=carbon if _has_carbon(pair) else 0.0, aired=aired)
    made = msgspec.structs.replace(made, state=_state(made, weights))
    stated = made.aired >= STATED and made.state != "swapped"
    return msgspec.structs.replace(made, sentence=sentence(made, pair.unit, upstream, aired=stated),
                                   action=action(made, pair.unit, upstream))


def _state(diagnosis: UnitDiagnosis, weights: dict[Explanation, float]) -> State:
    """What is stated: a fault from `STATED`, a working unit where that costs less on average than one more test."""
    best = max(weights, key=lambda what: weights[what])
    needed = _LEAST_WORKING if best == "working" else STATED
    if (_at_even_odds(weights) if best == "working" else weights[best]) < needed:
        return "indistinguishable"
    if best == "working" and diagnosis.carbon >= STATED:
        return "carbon-exhausted"
    return best


def _at_even_odds(weights: dict[Explanation, float]) -> float:
    """Return the probability of a working unit if a wrong setting were as likely beforehand as the one on file.

    That few heads are wrong is no evidence about this one: the samples, not this assumption, must exclude it. The
    probability of stating that a wrongly set unit works is then at most 1 in `_COST_OF_MISSING` (likelihood ratio
    bound; Royall, J. Am. Stat. Assoc. 95:760, 2000, from memory).
    """
    if weights["setting-off"] == 0.0:
        return weights["working"]
    even = {"working": 0.5 / (1.0 - SETTING_OFF), "setting-off": 0.5 / SETTING_OFF}
    total = sum(p * even.get(what, 1.0) for what, p in weights.items())
    return weights["working"] * even["working"] / total


def _has_carbon(pair: PairedSamples) -> bool:
    unit = pair.unit.unit
    return unit is not None and (unit.carbon or unit.catalytic_carbon) and "chlorine" in pair.compared


def _probability(hypotheses: list[Explained], of: Literal["carbon", "aired"]) -> float:
    """Return the probability that carbon passes chlorine, or that CO2 was lost, over explanations by the unit."""
    own = [x for x in hypotheses if x.what in _OF_UNIT and x.weights.sum() > 0]
    total = sum(x.weight for x in own)
    if total == 0:
        return 0.0
    return sum(x.weight * float(np.average(getattr(x.state, of) > _LEAST[of], weights=x.weights)) for x in own) / total


def _acts_like(pair: PairedSamples) -> tuple[float, float, float] | None:
    """Return the setting of a fresh unit that would give the treated water: median and 95 % interval."""
    if pair.unit.setting is None:
        return None
    n = pair.feed.feed.ph.size
    grid = pair.unit.setting.grid()
    setting = pair.rng.uniform(float(grid.min()), float(max(grid.max(), 1.0 if _opens(pair) else 0.0)), n)
    state = pair.state(n, setting=setting)
    water = predicted(pair.unit, pair.feed, state)
    log_weights = water.log_likelihood(pair.treated, pair.compared, {})
    return weighted_interval(setting, np.exp(log_weights - log_weights.max()))


def _opens(pair: PairedSamples) -> bool:
    """Return whether the setting is a share of untreated water, which can be all of it."""
    return pair.unit.kind in ("weak-acid-exchange", "magnesium-exchange", "sodium-softening", "osmosis-blend")


def weighted_interval(values: Vector, weights: Vector) -> tuple[float, float, float]:
    """Return median and 95 % interval (median, low, high) of weighted draws."""
    order = np.argsort(values)
    places = np.cumsum(weights[order]) - weights[order] / 2
    middle, low, high = np.interp([0.5, 0.025, 0.975], places / weights.sum(), values[order])
    return float(middle), float(low), float(high)


def _compared(pair: PairedSamples, working: Explained) -> tuple[PredictionCheck, ...]:
    values = predicted(pair.unit, pair.feed, working.state).values
    return tuple(
        PredictionCheck(analyte=e.analyte, predicted=float(np.mean(values[e.analyte])),
                        u_predicted=max(float(np.std(values[e.analyte])), 1e-9), read=e)
        for e in pair.treated.estimates if e.analyte in pair.compared and standard_uncertainty(e) > 0)
