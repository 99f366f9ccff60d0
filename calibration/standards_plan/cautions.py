"""What can hurt in this laboratory work, and what may never be drunk."""

from __future__ import annotations

from typing import Final

from calibration.standards_plan.prepare import Preparation
from calibration.standards_plan.stock import HypochloriteStock

_ALWAYS: Final = (
    "Goggles, gloves and a coat; read the safety data sheet of each product before opening it.",
    "Label and date every bottle and flask at once: what, how strong, when, by whom. Nothing unlabelled is used.",
    "No standard is for drinking, and none goes near a machine, a cup or the kitchen.",
    "What laboratory glass has touched is a reagent, whatever it was before.",
    "Disposal by local rules; your laboratory's own rules go before this sheet.",
)
_HYPOCHLORITE: Final = (
    "Hypochlorite NEVER meets acid, no cleaner, buffer or sample: it gives off chlorine gas, which injures the lungs.",
    "Open hypochlorite only where air moves, best under a hood, away from acids, ammonia and metals.",
    "It burns skin and eyes and bleaches clothes: rinse long with water and get help.",
    "The titration's acid goes only to a small portion already in potassium iodide, under a hood, as its method says.",
    "What was titrated is acid: it never goes into hypochlorite waste.",
)
_FOOD_GRADE: Final = (
    "Water that somebody will drink is dosed only with food-grade lots and ware kept for food, never with this glass."
)


def cautions(made: Preparation) -> tuple[str, ...]:
    """The cautions that apply, the gravest first."""
    chlorine = any(isinstance(s, HypochloriteStock) for s in made.shelf.stocks.values())
    return (*(_HYPOCHLORITE if chlorine else ()), *_ALWAYS)


def grades(made: Preparation) -> tuple[str, ...]:
    """Which salts are food grade and which are not, in words."""
    food = [f"{s.formula} ({s.lot})" for s in made.plan.salts if s.food_grade]
    other = [f"{s.formula} ({s.lot})" for s in made.plan.salts if not s.food_grade]
    other += [f"{h.product} ({h.lot})" for h in made.plan.hypochlorites]
    other += [f"buffer pH {b.ph:g} ({b.lot})" for b in made.plan.buffers]
    edible = [f"Food grade: {', '.join(food)}. {_FOOD_GRADE}"] if food else []
    return (*edible, *([f"Not food grade: {', '.join(other)}. Never in water that somebody drinks."] if other else []))
