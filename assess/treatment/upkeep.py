"""How long a unit lasts and what it costs to keep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from assess.treatment.treatment import TreatedWater
from assess.treatment.unit import TreatmentUnit
from shared.water import Vector
from shared.water.exchange import litres_to_exhaustion

_DAYS_A_YEAR: Final = 365.25
_DAYS_A_MONTH: Final = _DAYS_A_YEAR / 12


@dataclass(frozen=True, slots=True)
class Upkeep:
    """When a unit is next changed and what a year of changes costs. Infinite: never; None: not known.

    ``litres`` delivered until it is spent by use, ``days`` until that or the maker's term, whichever is
    first; ``yearly_cost`` in the unit's currency.
    """

    litres: Vector | None
    days: Vector | None
    yearly_cost: Vector | None


def upkeep(unit: TreatmentUnit, treated: TreatedWater, *, litres_per_day: float) -> Upkeep:
    """The upkeep of ``unit`` on the water it was simulated on, at ``litres_per_day`` delivered."""
    litres = _litres(unit, treated)
    limits = [] if litres is None else [litres / litres_per_day]
    if unit.service_months is not None:
        limits.append(np.asarray(unit.service_months * _DAYS_A_MONTH))
    days = np.minimum.reduce(np.broadcast_arrays(*limits)) if limits else None
    cost = None if days is None or unit.price is None else unit.price * _DAYS_A_YEAR / days
    return Upkeep(litres, days, cost)


def _litres(unit: TreatmentUnit, treated: TreatedWater) -> Vector | None:
    by_load = None
    if unit.working_eq is not None and treated.load is not None:
        by_load = litres_to_exhaustion(unit.working_eq, treated.load)
    if unit.capacity_litres is None:
        return by_load
    stated = np.asarray(unit.capacity_litres, dtype=np.float64)
    return stated if by_load is None else np.minimum(by_load, stated)
