"""What a treatment uses in a year and what that costs, with the descalings it avoids.

A missing price is stated as missing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

import msgspec
import numpy as np

from assess.criteria.quantities import scale, thickness
from assess.draws import Feed
from assess.equipment import Equipment, Prices
from assess.treatment.treatment import TreatedWater
from assess.treatment.unit import TreatmentUnit
from assess.treatment.upkeep import DAYS_A_YEAR, PartLife, Upkeep, salts, upkeep
from assess.treatment_trial import Trial

#: mm of scale on a heated surface after which a boiler is descaled (common practice, no source).
MM_PER_DESCALING: Final = 1.0
#: Ends the name of an item that is saved.
_SAVED: Final = " avoided"


class Consumption(msgspec.Struct, frozen=True, kw_only=True):
    """What is used in a year: ``reject_l`` to the drain, ``salts_kg`` by formula.

    ``changes`` of the main part and ``visits`` for all parts; ``descalings_avoided``. ``without_price``: what the
    yearly cost omits because its price is not on file.
    """

    changes: float | None = None
    reject_l: float | None = None
    salts_kg: dict[str, float] = {}
    without_price: tuple[str, ...] = ()
    visits: float = 0.0
    descalings_avoided: float = 0.0


class CostItem(msgspec.Struct, frozen=True, kw_only=True):
    """Cost of a year, negative where it is saved."""

    name: str
    amount: float


class YearlyCost(NamedTuple):
    """Consumption, cost items with a known price, their sum (None: the unit's own price is missing) and currency."""

    consumption: Consumption
    items: tuple[CostItem, ...]
    total: float | None
    currency: str | None


class UnitInUse(NamedTuple):
    """A unit with its water, its upkeep and the descalings of a year that it avoids."""

    unit: TreatmentUnit
    treated: TreatedWater
    keep: Upkeep
    descalings_avoided: float


def yearly_cost(use: UnitInUse, *, litres_per_day: float, prices: Prices | None = None) -> YearlyCost:
    """Return consumption and cost of a unit at ``litres_per_day`` delivered."""
    unit, prices = use.unit, prices or Prices()
    used = _consumption(use, litres_per_day * DAYS_A_YEAR)
    known: dict[str, float] = {}
    missing = []
    for name, amount, price in _items(use, used, prices):
        if amount and price is None:
            missing.append(name.removesuffix(_SAVED))
        elif amount and price is not None:
            known[name] = known.get(name, 0.0) + amount * price
    total = sum(known.values()) if unit.price is not None else None
    return YearlyCost(msgspec.structs.replace(used, without_price=tuple(dict.fromkeys(missing))),
                      tuple(CostItem(name=n, amount=a) for n, a in known.items()), total,
                      unit.currency or prices.currency)


def _items(use: UnitInUse, used: Consumption, prices: Prices) -> Iterator[tuple[str, float, float | None]]:
    """Name, amount of a year and price of one; prices of the machine's profile count only in the unit's currency."""
    unit = use.unit
    foreign = None not in (unit.currency, prices.currency) and unit.currency != prices.currency
    hour, water, descaling = (None, None, None) if foreign else (
        prices.labour_hour, prices.water_m3, prices.descaling)
    a_year = _per_year(use.keep.parts)
    if unit.kind != "sodium-softening":
        yield "cartridges", used.changes or 0.0, unit.price
    yield "prefilters", a_year.get("prefilter", 0.0), unit.price_prefilter
    yield "reject water", (used.reject_l or 0.0) / 1e3, water
    salt = "regeneration" if unit.kind == "sodium-softening" else "salts"
    yield salt, sum(used.salts_kg.values()), unit.price_salt_kg
    yield "labour", used.visits * unit.hours_per_visit, hour
    yield f"descaling{_SAVED}", used.descalings_avoided, None if descaling is None else -descaling


def _consumption(use: UnitInUse, litres: float) -> Consumption:
    unit, treated, keep, avoided = use
    changes = None if keep.days is None else DAYS_A_YEAR / float(np.median(keep.days))
    reject = None if treated.feed_per_litre is None else (float(np.median(treated.feed_per_litre)) - 1) * litres
    kg = {formula: mg_l * litres / 1e6 for formula, mg_l in salts(unit, treated).items()}
    return Consumption(changes=changes, reject_l=reject, salts_kg=kg, visits=sum(_per_year(keep.parts).values()),
                       descalings_avoided=avoided)


def _per_year(parts: tuple[PartLife, ...]) -> Mapping[str, float]:
    return {p.part: DAYS_A_YEAR / p.days.value for p in parts}


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
