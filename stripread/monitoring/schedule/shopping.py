"""What to buy for the units that are to be changed, and what units cost in a year; an unknown price stays unknown."""

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
    """Units alike: how many are in place, how many to buy now, the price of one, and what they cost a year.

    ``yearly`` None: the price or how long some of them last is not known.
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
        """Of what is to buy."""
        return None if self.price is None else self.price * self.to_buy


class ShoppingList(msgspec.Struct, frozen=True, kw_only=True):
    """All lines, by name."""

    lines: tuple[ShoppingLine, ...]

    def totals(self) -> dict[str, tuple[float, float]]:
        """By currency: cost of what is to buy, and of a year, as far as prices are known."""
        found: dict[str, tuple[float, float]] = {}
        for line in self.lines:
            if line.price is not None:
                now, year = found.get(line.currency, (0.0, 0.0))
                found[line.currency] = (now + (line.cost or 0.0), year + (line.yearly or 0.0))
        return found

    @property
    def unknown(self) -> tuple[str, ...]:
        """Names of units of which no price is given, or not how long they last."""
        return tuple(line.name for line in self.lines if line.yearly is None)


def shopping(firm: SiteInventory, changes: Mapping[str, date], until: date) -> ShoppingList:
    """``changes``: day on which each unit is to be changed; bought is what is to be changed by the day ``until``."""
    alike: dict[tuple[str, str, float | None, str], list[Unit]] = defaultdict(list)
    for unit in firm.units.values():
        if not firm.removed(unit.id):
            alike[unit.catalogue, unit.unit.name, unit.unit.price, unit.unit.currency or ""].append(unit)
    return ShoppingList(lines=tuple(
        ShoppingLine(catalogue=catalogue, name=name, price=price, currency=currency, in_place=len(units),
             to_buy=sum(u.id in changes and changes[u.id] <= until for u in units),
             yearly=_yearly(firm, units, changes))
        for (catalogue, name, price, currency), units in sorted(alike.items(), key=lambda item: item[0][1])))


def _yearly(firm: SiteInventory, units: list[Unit], changes: Mapping[str, date]) -> float | None:
    costs = [_yearly_of(firm, unit, changes.get(unit.id)) for unit in units]
    known = [c for c in costs if c is not None]
    return sum(known) if len(known) == len(costs) else None


def _yearly_of(firm: SiteInventory, unit: Unit, change: date | None) -> float | None:
    """As often as it is to be changed this time."""
    renewed = firm.renewed(unit.id)
    if unit.unit.price is None or change is None or renewed is None:
        return None
    return unit.unit.price * _DAYS_A_YEAR / max(1, (change - renewed.at.date()).days)
