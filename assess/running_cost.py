"""Upkeep of a simulated treatment, and what a year of it costs, with the descalings it avoids."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from assess.criteria.quantities import scale, thickness
from assess.draws import Feed
from assess.equipment import Equipment
from assess.treatment.upkeep import Upkeep, upkeep
from assess.treatment.yearly_cost import MM_PER_DESCALING, UnitInUse, YearlyCost, yearly_cost
from assess.treatment_trial import Trial


class UpkeepAndCost(NamedTuple):
    """Lives of a unit's parts, and what a year costs."""

    keep: Upkeep
    cost: YearlyCost


def upkeep_and_cost(trial: Trial, tap: Trial, equipment: Equipment) -> UpkeepAndCost | None:
    """Return upkeep and cost of a treatment's unit; None without a unit or without use."""
    unit, litres = trial.treatment.unit, equipment.litres_per_day
    if unit is None or litres <= 0:
        return None
    keep = upkeep(unit, trial.treated, litres_per_day=litres, capacity=trial.feed.variation.capacity)
    avoided = max(0.0, _descalings(tap.feed, equipment) - _descalings(trial.feed, equipment))
    cost = yearly_cost(UnitInUse(unit, trial.treated, keep, avoided), litres_per_day=litres,
                       prices=equipment.prices)
    return UpkeepAndCost(keep, cost)


def comparable_costs(costs: Mapping[int, YearlyCost]) -> dict[int, float]:
    """Return the known totals; none if they are in different currencies, which cannot be compared."""
    known = {key: cost for key, cost in costs.items() if cost.total is not None}
    if len({cost.currency for cost in known.values()}) > 1:
        return {}
    return {key: cost.total for key, cost in known.items() if cost.total is not None}


def _descalings(feed: Feed, equipment: Equipment) -> float:
    """Descalings of a year, by the boiler that scales fastest (median)."""
    thick = [float(np.median(thickness(scale(feed, b), b))) for b in equipment.boilers if b.heated_area_m2 is not None]
    return max(0.0, *thick) / MM_PER_DESCALING if thick else 0.0
