"""Shopping list for the units to change, and the annual cost of units. An unknown price is never estimated."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from datetime import date
from typing import Final

import msgspec

from stripread.monitoring.sites import SiteInventory
from stripread.store.models.sites import Unit

_DAYS_A_YEAR: Final = 365.25


class ShoppingLine(msgspec.Struct, frozen=True, kw_only=True):
    """Units of one type: number installed, number to buy, unit price, and annual cost.

    ``yearly`` None: the price, or the service life of one of them, is unknown.
    """

    catalogue: str
    name: str
    in_place: int
    to_buy: int
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
        found: dict[str, tuple[float, float]] = {}
        for line in self.lines:
            if line.price is not None:
                now, year = found.get(line.currency, (0.0, 0.0))
                found[line.currency] = (now + (line.cost or 0.0), year + (line.yearly or 0.0))
        return found

    @property
    def unknown(self) -> tuple[str, ...]:
        """Names of units with an unknown price or service life."""
        return tuple(line.name for line in self.lines if line.yearly is None)


def shopping(inventory: SiteInventory, changes: Mapping[str, date], until: date) -> ShoppingList:
    """Return the list of units to buy. ``changes``: due date by unit; units due by the day ``until`` are bought."""
    alike: dict[tuple[str, str, float | None, str], list[Unit]] = defaultdict(list)
    for unit in inventory.units.values():
        if not inventory.removed(unit.id):
            alike[unit.catalogue, unit.unit.name, unit.unit.price, unit.unit.currency or ""].append(unit)
    return ShoppingList(lines=tuple(
        ShoppingLine(catalogue=catalogue, name=name, price=price, currency=currency, in_place=len(units),
             to_buy=sum(u.id in changes and changes[u.id] <= until for u in units),
             yearly=_yearly(inventory, units, changes))
        for (catalogue, name, price, currency), units in sorted(alike.items(), key=lambda item: item[0][1])))


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
