"""The order of work, and each step as a sentence."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from calibration.standards_plan.glassware import Draw
from calibration.standards_plan.prepare import Preparation
from calibration.standards_plan.solution import Solution
from calibration.standards_plan.stock import DilutedStock, HypochloriteStock, Stock, WeighedStock
from shared.notation import significant

_MIXING: Final = ("Half fill the flask with water, add the aliquots in this order, mixing after each, make up to the "
                  "mark, invert 15 times, and pour into the labelled bottle.")


@dataclass(frozen=True, slots=True)
class Step:
    """``lines`` are ticked off one by one; ``note`` applies to all of them."""

    title: str
    note: str
    lines: tuple[str, ...]


def order_of_work(preparation: Preparation) -> tuple[Step, ...]:
    """Stable stocks first, then the solutions made from them, unstable ones last; each step has a line."""
    stocks = list(preparation.shelf.stocks.values())
    fading = [s for s in stocks if _fades(s)]
    steps = (
        Step("Preparation", "", tuple(_ready(preparation))),
        Step("Stock solutions", "Dissolve in half the flask's volume, then make up to the mark and invert 15 times.",
             tuple(_making(s) for s in stocks if s not in fading)),
        *_mixing(preparation, fading=False),
        Step("Hypochlorite, on the day it is used",
             "NEVER use it near acids. Titrate first: its concentration is unknown "
             "until then.", tuple(line for s in fading for line in _chlorine(s))),
        *_mixing(preparation, fading=True),
        Step("Buffers", "Pour out a fresh portion of each buffer. Never pour it back.",
             tuple(f"{s.id}: pH {s.buffer.ph:g}, lot {s.buffer.lot}" for s in preparation.solutions if s.buffer)),
        Step("Photograph", "Lay the label of the solution next to the card, and include it in the picture.",
             tuple(_photographs(preparation))),
    )
    return tuple(step for step in steps if step.lines)


def measured(draw: Draw, stock: str) -> str:
    """An aliquot in words: "5.78 ml of magnesium (2 x 2.89 ml, P5-1)"."""
    each, total = draw.written()
    times = f"{draw.times} x {each} ml, " if draw.times > 1 else ""
    return f"{total} ml of {stock} ({times}{draw.device.id})"


def _fades(stock: Stock) -> bool:
    if isinstance(stock, DilutedStock):
        return _fades(stock.of)
    return isinstance(stock, HypochloriteStock)


def _ready(preparation: Preparation) -> Iterator[str]:
    plan = preparation.plan
    yield (f"Bring water, stocks and glassware to room temperature: {plan.temperature_c:g} °C ± "
           f"{plan.temperature_tolerance_k:g} K.")
    yield "Rinse every flask and pipette with water, then each pipette with the solution that it will measure."
    if any(_fades(s) for s in preparation.shelf.stocks.values()):
        yield ("Soak the glassware for chlorine in dilute hypochlorite solution for an hour and rinse it to remove "
               "residues that consume chlorine.")
    yield "Print the labels and put one on every bottle before it is filled."


def _making(stock: Stock) -> str:
    if isinstance(stock, WeighedStock):
        lot, done = stock.substance.lot, stock.order.weighed_g
        mass = f"{stock.planned_mg / 1e3:.4f} g" if done is None else f"{done:.4f} g (weighed)"
        return (f"{stock.id}: {mass} of {stock.substance.formula}, lot {lot.lot}, on {stock.balance.id}, "
                f"to {stock.made.flask.volume_ml:g} ml in {stock.made.flask.id}. Weighed: ________ g")
    if isinstance(stock, DilutedStock):
        return (f"{stock.id}: {measured(stock.draw, stock.of.id)} to {stock.made.flask.volume_ml:g} ml "
                f"in {stock.made.flask.id}")
    raise TypeError(f"{stock.id} is made by an unknown procedure")


def _chlorine(stock: Stock) -> Iterator[str]:
    if not isinstance(stock, HypochloriteStock):
        yield _making(stock)
        return
    order = stock.order
    yield f"{stock.id}: {order.take_ml:g} ml of {order.product}, lot {order.lot}, made up in {order.flask}"
    if stock.titrated is None:
        yield (f"Titrate {stock.id} three times with thiosulfate (iodometric). About {order.expected_mg_l:g} mg/L Cl2 "
               "is expected. Titres: ________ ________ ________ ml, blank: ________ ml. "
               "Enter them in the plan and run the command again to get the volumes below.")
    else:
        yield f"{stock.id} was titrated: {significant(stock.strength_mg_l, 4)} mg/L Cl2. The volumes below use it."


def _mixing(preparation: Preparation, *, fading: bool) -> Iterator[Step]:
    """A step for each family with or without fading stocks, its solutions in order of concentration."""
    for family in preparation.plan.families:
        if any(_fades(preparation.shelf.stocks[name]) for name in family.stocks) == fading:
            solutions = [s for s in preparation.solutions if s.group == family.id]
            title = solutions[0].family
            yield Step(title[:1].upper() + title[1:], _MIXING, tuple(_line(s) for s in solutions))


def _line(solution: Solution) -> str:
    if solution.recipe is None:
        raise TypeError(f"{solution.id} is mixed by an unknown procedure")
    flask = solution.recipe.made.flask
    parts = " + ".join(measured(a.draw, a.stock.id) for a in solution.recipe.aliquots) or "water alone"
    return f"{solution.id}: {parts}, to {flask.volume_ml:g} ml in {flask.id}"


def _photographs(preparation: Preparation) -> Iterator[str]:
    plan, names = preparation.plan, [s.id for s in preparation.solutions]
    each = f"{plan.photographs_per_light} under each light: {', '.join(plan.lights)}"
    yield f"{len(names)} solutions, {each}. Use a new strip each time; dip and photograph it within its reading time."
    yield "Name the photographs as in standards.csv, or enter their names there; delete rows without a photograph."
