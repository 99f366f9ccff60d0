"""How a worn unit departs from a fresh one, and how worn it may be."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from assess.diagnosis.upstream import UnitUsage
from assess.treatment.breakthrough import STEEPNESS, U_CAPACITY, lost_removal
from assess.treatment.levels import is_membrane
from assess.treatment.treatment import Variation
from assess.treatment.unit import TreatmentUnit
from shared.water import Vector

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
