"""Prediction of treated water from feed water, for draws of everything that is not known of the unit.

A worn unit has lost a part of its removal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np

from assess.diagnosis.result import UnitUsage
from assess.draws import ROOM_C, ROOM_PCO2, DrawnFeed
from assess.inputs.sample import Sample
from assess.treatment.kinds import NONE
from assess.treatment.options import treatment_of
from assess.treatment.treatment import Treatment, Variation
from assess.treatment.unit import TreatmentUnit, is_membrane
from assess.treatment.upkeep import STEEPNESS, U_CAPACITY, lost_removal
from shared.estimate import Z95, Estimate
from shared.water import Vector, Water, ph_in_air, speciate

#: Loss of removal from which a unit counts as exhausted rather than working. Common practice, no source.
WORN: Final = 0.1
#: Chance that a unit of unknown usage is exhausted, and bounds of that chance whatever its usage: cartridges can fail
#: early or last longer. Common practice, no source.
_UNKNOWN, _LEAST, _MOST = 0.15, 0.002, 0.9
#: Smallest relative effect of a draw, so that wear can be expressed by units without stated uncertainty.
_SMALL: Final = 1e-3


def used_and_lost(usage: UnitUsage, rng: np.random.Generator, n: int) -> tuple[Vector, Vector]:
    """Return ``n`` draws of the share of capacity used and of the removal lost."""
    actual = (usage.used + usage.u * rng.standard_normal(n)) * np.exp(U_CAPACITY * rng.standard_normal(n))
    low, high = np.log(STEEPNESS)
    used = np.maximum(actual, 0.0)
    return used, lost_removal(used, np.exp(rng.uniform(low, high, n)))


def chance_of_wear(usage: UnitUsage | None, rng: np.random.Generator) -> float:
    """Return the prior probability that a unit has lost more than `WORN`."""
    if usage is None:
        return _UNKNOWN
    _, lost = used_and_lost(usage, rng, 2000)
    return float(np.clip(np.mean(lost > WORN), _LEAST, _MOST))


def lost(usage: UnitUsage | None, rng: np.random.Generator, n: int, *, worn: bool) -> Vector:
    """Return ``n`` draws of the removal lost by a unit that is worn, or by one that is not."""
    if usage is not None:
        drawn = used_and_lost(usage, rng, 4 * n)[1]
        fits = drawn[(drawn > WORN) == worn]
        # A rare state has too few draws of its own; its distribution is then taken as uniform.
        if fits.size >= n // 4:
            return rng.choice(fits, n)
    return rng.uniform(*((WORN, 1.0) if worn else (0.0, WORN)), n)


def worn_unit(unit: TreatmentUnit) -> TreatmentUnit:
    """Return a unit whose departures are large enough to express wear."""
    return msgspec.structs.replace(unit, **{
        name: max(getattr(unit, name), _SMALL) for name in ("u_removal", "u_passage", "u_approach", "u_dose")})


def worn_variation(unit: TreatmentUnit, vary: Variation, lost: Vector) -> Variation:
    """Return the departures of a unit (from `worn_unit`) that has lost a share of its removal."""
    if is_membrane(unit.kind):
        passes = 1.0 - (unit.rejection or 0.0)
        return vary._replace(removal=vary.removal + np.log((passes + lost * (1.0 - passes)) / passes) / unit.u_passage)
    if unit.kind == "mineral-dosing":
        return vary._replace(dose=vary.dose - lost / unit.u_dose)
    whole, u = ((unit.approach, unit.u_approach) if unit.kind == "calcite-contact" else
                (unit.removal, unit.u_removal))
    return vary._replace(removal=(1.0 - lost) * vary.removal - lost * whole / u)


#: Analytes that strips measure on both sides of a unit.
COMPARED: Final = ("hardness", "alkalinity", "ph", "chloride", "chlorine")
#: Standard uncertainty, relative to the end of the range, with which a value beyond it is compared.
_BEYOND: Final = 0.1
_LEAST_U: Final = 1e-6
_LOG_ROOT_2PI: Final = float(np.log(2.0 * np.pi) / 2.0)


@dataclass(frozen=True, slots=True)
class UnitDraws:
    """Draws (n,) of the state of a unit and of the sample downstream.

    ``setting`` as set; ``lost``: share of its removal; ``carbon``: share of the chlorine that passes its carbon;
    ``aired``: share of the way from the pH at the outlet to that in air, by loss of CO2 on standing.
    """

    setting: Vector
    lost: Vector
    carbon: Vector
    aired: Vector


@dataclass(frozen=True, slots=True)
class PredictedWater:
    """Draws (n,) of the true values of a water by analyte."""

    values: Mapping[str, Vector]

    def log_likelihood(self, read: Sample, analytes: frozenset[str], shared: Mapping[str, Vector]) -> Vector:
        """Return the log-likelihood (n,) of a reading; ``shared``: draws of standard errors common to the chart."""
        total = np.zeros(next(iter(self.values.values())).shape)
        for e in read.estimates:
            if e.analyte in analytes:
                total = total + _log_density(e, self.values[e.analyte], shared.get(e.analyte, 0.0))
        return total


def predicted(unit: Treatment, feed: DrawnFeed, state: UnitDraws) -> PredictedWater:
    """Return the water downstream of a unit for each draw."""
    water, vary, t_c = feed.feed.water, feed.feed.variation, float(np.median(feed.feed.temperature))
    if unit.unit is None:
        made = unit.treat(water, state.setting, t_c=t_c, vary=vary)
    else:
        worn = worn_unit(unit.unit)
        made = treatment_of(unit.id, worn).treat(
            water, state.setting, t_c=t_c, vary=worn_variation(worn, vary, state.lost))
    left = made.disinfectant.free_chlorine
    chlorine = feed.feed.free_chlorine * (left + (1.0 - left) * state.carbon)
    untouched = made.at_tap is water
    return _values(made.at_tap, chlorine, feed.feed.ph if untouched else speciate(made.at_tap, t_c).ph, state)


def untreated(feed: DrawnFeed, state: UnitDraws) -> PredictedWater:
    """Return the feed water itself."""
    return predicted(NONE, feed, state)


def _values(water: Water, chlorine: Vector, ph: Vector, state: UnitDraws) -> PredictedWater:
    in_air = ph_in_air(water, ROOM_C, pco2=ROOM_PCO2)
    return PredictedWater({
        "hardness": water.hardness, "alkalinity": water.alkalinity_caco3, "chloride": water.chloride_mg_l,
        "chlorine": chlorine, "ph": ph + state.aired * (in_air - ph)})


def shared_errors(drawn: DrawnFeed, read: Sample, rng: np.random.Generator) -> dict[str, Vector]:
    """Return draws of the standard errors common to all readings on a chart, given the drawn true values of one.

    The error of a reading is u_random x + u_shared z; given the sum, z is normal with the conditional moments.
    """
    found = {}
    for e in read.estimates:
        if e.analyte in COMPARED and e.status == "measured" and e.analyte in drawn.inputs:
            u, common = standard_uncertainty(e), min(e.u_shared, standard_uncertainty(e))
            error = e.value - drawn.inputs[e.analyte]
            spread = np.sqrt(max(0.0, 1.0 - (common / u) ** 2))
            found[e.analyte] = common / u**2 * error + spread * rng.standard_normal(error.size)
    return found


def standard_uncertainty(e: Estimate) -> float:
    """Return the standard uncertainty of a value; an interval cut at a physical limit counts by its other side."""
    return max((e.high - e.value) / Z95, (e.value - e.low) / Z95, _LEAST_U)


def _log_density(e: Estimate, true: Vector, shared: Vector | float) -> Vector:
    if e.status in ("below", "above"):
        sign = 1.0 if e.status == "below" else -1.0
        return _log_chance(sign * (e.value - true) / max(_BEYOND * e.value, _LEAST_U))
    u = standard_uncertainty(e)
    known = isinstance(shared, np.ndarray)
    common = min(e.u_shared, u) if known else 0.0
    own = max(float(np.sqrt(max(u**2 - common**2, 0.0))), 0.1 * u)
    return np.asarray(-0.5 * ((e.value - true - common * shared) / own) ** 2 - np.log(own) - _LOG_ROOT_2PI)


def _log_chance(z: Vector) -> Vector:
    """Return the logarithm of a logistic curve close to the normal's (within 0.01), without underflow."""
    return np.asarray(-np.logaddexp(0.0, -1.702 * z))
