"""The items of a plan by ID: each item that the plan refers to must exist exactly once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

from calibration.standards_plan.file import DilutionOrder, Hypochlorite, PlanFile, Titration, WeighingOrder
from calibration.standards_plan.glassware import Burette, Device, Draw, Flask, draw
from calibration.standards_plan.salts import Substance, substance
from calibration.standards_plan.stock import (
    DilutedStock,
    FilledFlask,
    HypochloriteStock,
    Stock,
    StockTitration,
    WeighedStock,
)
from shared.errors import FileError

#: Relative deviation beyond which the weighed mass is taken as a typing error.
_SLIP: Final = 0.1

T = TypeVar("T")


class HasId(Protocol):
    """Something with an id."""

    @property
    def id(self) -> str:
        """Its ID in the plan."""


HasIdT = TypeVar("HasIdT", bound=HasId)


@dataclass(frozen=True, slots=True)
class Shelf:
    """``where``: the plan's file. Stocks are in the order of preparation."""

    where: str
    plan: PlanFile
    flasks: Mapping[str, Flask]
    devices: Mapping[str, Device]
    stocks: Mapping[str, Stock]

    def flask_for(self, flask: str, what: str, *, where: str) -> FilledFlask:
        """A flask to fill with ``what``."""
        return FilledFlask(find(self.flasks, flask, where=where), what, self.plan.temperature_tolerance_k)

    def draw(self, ml: float, made: FilledFlask, *, where: str) -> Draw:
        """The best way to measure ``ml`` into a flask. FileError if it exceeds the flask or cannot be measured."""
        if ml > made.flask.volume_ml:
            raise FileError("the aliquot is larger than the flask", where=where, found=f"{ml:.4g} ml",
                            allowed=f"up to {made.flask.volume_ml:g} ml ({made.flask.id})",
                            remedy="make the stock more concentrated, or take a smaller aliquot")
        best = draw(ml, tuple(self.devices.values()))
        if best is None:
            raise FileError("no pipette or burette of the plan measures this volume", where=where, found=f"{ml:.4g} ml",
                            allowed=", ".join(_range(d) for d in self.devices.values()) or "none in the plan",
                            remedy="add a suitable one, dilute the stock with a [[dilution]], or choose another flask")
        return best


def shelf(plan: PlanFile, *, where: str) -> Shelf:
    """Flasks, devices and stocks of a plan by id."""
    flasks = by_id("flask", plan.flasks, where=where)
    devices: dict[str, Device] = by_id("pipette or burette", (*plan.pipettes, *plan.burettes), where=where)
    stocks: dict[str, Stock] = {}
    made = Shelf(where, plan, flasks, devices, stocks)
    orders: tuple[WeighingOrder | DilutionOrder | Hypochlorite, ...] = (
        *plan.weighed, *plan.diluted, *plan.hypochlorites)
    by_id("stock", orders, where=where)
    substances = _substances(plan, where=where)
    for i, order in enumerate(plan.weighed):
        stocks[order.id] = _weighed(order, made, substances=substances, where=f"{where}: stock[{i}]")
    for i, product in enumerate(plan.hypochlorites):
        stocks[product.id] = _hypochlorite(product, made, where=f"{where}: hypochlorite[{i}]")
    for i, weaker in enumerate(plan.diluted):
        here = f"{where}: dilution[{i}]"
        flask = made.flask_for(weaker.flask, weaker.id, where=f"{here}.flask")
        of = find(stocks, weaker.of, where=f"{here}.of")
        draw_ = made.draw(weaker.take_ml, flask, where=f"{here}.take_ml")
        stocks[weaker.id] = DilutedStock(weaker.id, of, draw_, flask)
    return made


def find(things: Mapping[str, T], name: str, *, where: str) -> T:
    """The item with this ID. Raises FileError if there is none."""
    if name not in things:
        raise FileError("no item of the plan has this name", where=where, found=name,
                        allowed=", ".join(things) or "nothing",
                        remedy="correct the name, or add the item to the plan")
    return things[name]


def by_id(kind: str, things: Iterable[HasIdT], *, where: str) -> dict[str, HasIdT]:
    """Things by their id. FileError where two have the same."""
    items: dict[str, HasIdT] = {}
    for thing in things:
        if thing.id in items:
            raise FileError(f"the ID is used twice ({kind})", where=where, found=thing.id, allowed="each ID once")
        items[thing.id] = thing
    return items


def _substances(plan: PlanFile, *, where: str) -> dict[str, Substance]:
    substances: dict[str, Substance] = {}
    for i, lot in enumerate(plan.salts):
        if lot.key in substances:
            raise FileError("two salts have the same name", where=f"{where}: salt[{i}]", found=lot.key,
                            allowed="each once", remedy="give each lot of a salt its own ID")
        substances[lot.key] = substance(lot, where=f"{where}: salt[{i}]")
    return substances


def _weighed(order: WeighingOrder, shelf: Shelf, *, substances: Mapping[str, Substance], where: str) -> WeighedStock:
    salt = find(substances, order.salt, where=f"{where}.salt")
    stock = WeighedStock(order, salt, shelf.plan.balance,
                         shelf.flask_for(order.flask, order.id, where=f"{where}.flask"))
    capacity = shelf.plan.balance.capacity_g
    if stock.planned_mg > 1e3 * capacity:
        raise FileError("heavier than the balance can weigh", where=where, found=f"{stock.planned_mg / 1e3:g} g",
                        allowed=f"up to {capacity:g} g ({shelf.plan.balance.id})")
    if order.weighed_g is not None and abs(stock.mass_mg / stock.planned_mg - 1) > _SLIP:
        raise FileError("the weighed mass is too far from the planned mass", where=f"{where}.weighed_g",
                        found=f"{order.weighed_g:g} g", allowed=f"about {stock.planned_mg / 1e3:g} g",
                        remedy="correct it; if the mass is right, correct strength_g_l")
    return stock


def _hypochlorite(order: Hypochlorite, shelf: Shelf, *, where: str) -> HypochloriteStock:
    flask = shelf.flask_for(order.flask, order.id, where=f"{where}.flask").flask
    if order.take_ml > flask.volume_ml:
        raise FileError("the aliquot is larger than the flask", where=f"{where}.take_ml", found=f"{order.take_ml:g} ml",
                        allowed=f"up to {flask.volume_ml:g} ml ({flask.id})")
    done = order.titration
    return HypochloriteStock(order, _titrated(done, shelf, where=f"{where}.titration") if done else None)


def _titrated(done: Titration, shelf: Shelf, *, where: str) -> StockTitration:
    burette = find(shelf.devices, done.burette, where=f"{where}.burette")
    pipette = find(shelf.devices, done.pipette, where=f"{where}.pipette")
    if not isinstance(burette, Burette):
        raise FileError("a titration needs a burette", where=f"{where}.burette", found=done.burette,
                        allowed=", ".join(b.id for b in shelf.plan.burettes))
    if done.blank_ml >= min(done.titres_ml):
        raise FileError("the blank's titre is not below those of the sample", where=f"{where}.blank_ml",
                        found=f"{done.blank_ml:g}",
                        allowed=f"less than the titres ({min(done.titres_ml):g} ml)")
    portion = draw(done.portion_ml, (pipette,))
    if portion is None:
        raise FileError("the pipette cannot measure this portion", where=f"{where}.portion_ml",
                        found=f"{done.portion_ml:g} ml", allowed=_range(pipette))
    return StockTitration(done, portion, burette)


def _range(device: Device) -> str:
    ends = f"{device.lowest_ml:g} to {device.highest_ml:g}" if isinstance(device, Burette) else f"{device.volume_ml:g}"
    return f"{ends} ml ({device.id})"
