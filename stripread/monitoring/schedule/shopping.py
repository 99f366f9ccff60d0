"""Shopping list for the units to change, and the annual cost of units. An unknown price is never estimated."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

import msgspec

from assess.treatment.unit import TreatmentUnit
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.sites import SiteInventory
from stripread.store.models.sites import TreatmentDecision, Unit, UnitStock
from stripread.store.store import Store

_DAYS_A_YEAR: Final = 365.25


class ShoppingLine(msgspec.Struct, frozen=True, kw_only=True):
    """Units of one type: number installed, number to buy, unit price, and annual cost.

    ``decided``: units that decisions require; ``in_stock``: units on the shelf. To buy is what they do not cover.
    ``yearly`` None: the price, or the service life of one of them, is unknown.
    """

    catalogue: str
    name: str
    in_place: int
    to_buy: int
    decided: int = 0
    in_stock: int = 0
    price: float | None
    currency: str
    yearly: float | None

    @property
    def cost(self) -> float | None:
        """Cost of the units to buy; None if the price is unknown."""
        return None if self.price is None else self.price * self.to_buy


class ShoppingList(msgspec.Struct, frozen=True, kw_only=True):
    """Lines, ordered by name."""

    lines: tuple[ShoppingLine, ...]

    def totals(self) -> dict[str, tuple[float, float]]:
        """Return the cost of the units to buy and the annual cost, by currency, for units with a known price."""
        totals: dict[str, tuple[float, float]] = {}
        for line in self.lines:
            if line.price is not None:
                now, year = totals.get(line.currency, (0.0, 0.0))
                totals[line.currency] = (now + (line.cost or 0.0), year + (line.yearly or 0.0))
        return totals

    @property
    def unknown(self) -> tuple[str, ...]:
        """Names of units with an unknown price or service life."""
        return tuple(line.name for line in self.lines if line.yearly is None)


@dataclass(frozen=True, slots=True)
class Demand:
    """Units that decisions require, and units in stock, by catalogue id; ``known``: the catalogue."""

    decided: Mapping[str, int]
    stock: Mapping[str, int]
    known: Mapping[str, TreatmentUnit]


def load_demand(store: Store, inventory: SiteInventory) -> Demand:
    """Return what chosen decisions at sites require, and the stock of the whole store."""
    decided: Counter[str] = Counter()
    for decision in store.find(TreatmentDecision, state="chosen"):
        if decision.catalogue is not None and decision.site in inventory.sites:
            decided[decision.catalogue] += decision.quantity
    return Demand(decided, {s.id: s.count for s in store.find(UnitStock)}, catalogue(own_terms(store)))


def shopping(inventory: SiteInventory, changes: Mapping[str, date], until: date, demand: Demand) -> ShoppingList:
    """Return the list of units to buy. ``changes``: due date by unit; units due by the day ``until`` are bought."""
    alike: dict[tuple[str, str, float | None, str], list[Unit]] = defaultdict(list)
    for unit in inventory.units.values():
        if not inventory.removed(unit.id):
            alike[unit.catalogue, unit.unit.name, unit.unit.price, unit.unit.currency or ""].append(unit)
    for id_ in demand.decided:
        if id_ in demand.known and not any(key[0] == id_ for key in alike):
            unit_ = demand.known[id_]
            alike[id_, unit_.name, unit_.price, unit_.currency or ""] = []
    left = dict(demand.stock)
    lines: list[ShoppingLine] = []
    for (id_, name, price, currency), units in sorted(alike.items(), key=lambda item: item[0][1]):
        decided = demand.decided.get(id_, 0) if all(line.catalogue != id_ for line in lines) else 0
        needed = decided + sum(u.id in changes and changes[u.id] <= until for u in units)
        shelf = left.get(id_, 0)
        left[id_] = max(0, shelf - needed)
        lines.append(ShoppingLine(
            catalogue=id_, name=name, price=price, currency=currency, in_place=len(units), decided=decided,
            in_stock=shelf, to_buy=max(0, needed - shelf),
            yearly=None if price is None else _yearly(inventory, units, changes)))
    return ShoppingList(lines=tuple(lines))


def _yearly(inventory: SiteInventory, units: list[Unit], changes: Mapping[str, date]) -> float | None:
    costs = [_yearly_of(inventory, unit, changes.get(unit.id)) for unit in units]
    known = [c for c in costs if c is not None]
    return sum(known) if len(known) == len(costs) else None


def _yearly_of(inventory: SiteInventory, unit: Unit, change: date | None) -> float | None:
    """Return the annual cost of a unit from its present service life, or None."""
    renewed = inventory.renewed(unit.id)
    if unit.unit.price is None or change is None or renewed is None:
        return None
    return unit.unit.price * _DAYS_A_YEAR / max(1, (change - renewed.at.date()).days)
