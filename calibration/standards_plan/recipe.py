"""What goes into one solution: the levels wanted, adapted to what the stocks can reach, as aliquots.

Stocks bring several things at once, so the wanted amounts are equations ``amounts @ volumes = wanted`` with no
volume negative. The corners of what is possible are solutions in as few stocks as there are equations
(Dantzig, Linear Programming and Extensions, 1963, ch. 5): few enough here to try them all.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from calibration.standards_plan.glassware import NEAR_ENOUGH, Draw, draw
from calibration.standards_plan.inventory import Shelf
from calibration.standards_plan.levels import Row
from calibration.standards_plan.salts import COUNTS, Composition, amount
from calibration.standards_plan.stock import Filled, Stock
from calibration.standards_plan.uncertainty import nominal
from shared.errors import FileError
from shared.water import Vector, molar

#: How exactly an equation must be satisfied, relative to the largest amount in it.
_EXACT = 1e-9


def recipes(amounts: Vector, wanted: Vector) -> Iterator[Vector]:
    """Volumes that give what is wanted, fewest stocks first, then in the stocks' order.

    ``amounts`` (things, stocks): what a unit volume of a stock brings; ``wanted`` (things,).
    """
    scale = np.maximum(np.abs(amounts).max(axis=1, initial=0.0), 1e-12)
    a, b = amounts / scale[:, None], wanted / scale
    stocks = amounts.shape[1]
    for size in range(1, min(max(1, len(b)), stocks) + 1):
        for chosen in combinations(range(stocks), size):
            part, *_ = np.linalg.lstsq(a[:, chosen], b, rcond=None)
            off = np.abs(a[:, chosen] @ part - b).max(initial=0.0)
            tiny = _EXACT * max(1.0, float(np.abs(b).max(initial=0.0)))
            if off <= tiny and part.min() >= -tiny:
                volumes = np.zeros(stocks)
                volumes[list(chosen)] = np.maximum(part, 0.0)
                yield volumes


def reach(amounts: Vector, wanted: Vector, *, of: Vector) -> tuple[float, float]:
    """The least and the most of another thing (``of``, by stock) that goes with the amounts wanted."""
    found = [float(of @ volumes) for volumes in recipes(amounts, wanted)]
    endless = np.any((of > 0) & (np.abs(amounts).max(axis=0, initial=0.0) == 0))
    return min(found), float("inf") if endless else max(found)


#: Calcium as hardness: what a wanted share of calcium is counted in.
_CALCIUM: Final = "calcium hardness"
#: Which wish is met first: what a stock only brings along gives way, chloride before everything.
_ORDER: Final = ("chlorine", "hardness", _CALCIUM, "alkalinity", *(a for a in COUNTS if a != "chloride"), "chloride")


@dataclass(frozen=True, slots=True)
class Missed:
    """A level the stocks cannot give together with the others, and the nearest they can; ``which`` end it is."""

    analyte: str
    wanted: float
    reached: float
    which: str


@dataclass(frozen=True, slots=True)
class Aliquot:
    """So much of a stock."""

    stock: Stock
    draw: Draw


@dataclass(frozen=True, slots=True)
class Recipe:
    """Aliquots to make up in the flask, and the levels that had to bend."""

    made: Filled
    aliquots: tuple[Aliquot, ...]
    missed: tuple[Missed, ...]


@dataclass(frozen=True, slots=True)
class Wish:
    """Levels wanted in a flask; ``blanks``: concentrations in the deionised water, by analyte."""

    row: Row
    calcium_share: float | None
    blanks: Mapping[str, float]
    made: Filled

    def ordered(self) -> list[str]:
        """What is wanted, what is met first coming first."""
        things = {*self.row, *([_CALCIUM] if self.calcium_share is not None and "hardness" in self.row else [])}
        return [thing for thing in dict.fromkeys(_ORDER) if thing in things]


def recipe(wish: Wish, stocks: Sequence[Stock], *, shelf: Shelf, where: str) -> Recipe:
    """Aliquots of ``stocks`` that come nearest to a wish. FileError where they cannot be measured or do not fit."""
    amounts, wanted, missed = _reachable(wish, stocks, where=where)
    possible = list(recipes(amounts, wanted))
    devices = tuple(shelf.devices.values())

    def measurable(volumes: Vector) -> bool:
        return bool(volumes.sum() <= wish.made.flask.volume_ml) and all(
            draw(float(ml), devices) is not None for ml in volumes if ml > 0)

    volumes = next(filter(measurable, possible), possible[0])
    aliquots = tuple(Aliquot(stock, shelf.draw(float(ml), wish.made, where=f"{where}, aliquot of {stock.id}"))
                     for stock, ml in zip(stocks, volumes, strict=True) if ml > 0)
    _check_room(aliquots, wish.made, where=where)
    return Recipe(wish.made, aliquots, missed)


def _reachable(wish: Wish, stocks: Sequence[Stock], *, where: str) -> tuple[Vector, Vector, tuple[Missed, ...]]:
    """Equations (things, stocks), (things,) that have a solution, and the wishes bent on the way."""
    held = [stock.composition(nominal) for stock in stocks]
    amounts, wanted = np.empty((0, len(stocks))), np.empty(0)
    missed = []
    for thing in wish.ordered():
        brings = np.array([float(_held(thing, c)) for c in held]) / wish.made.flask.volume_ml
        if thing == _CALCIUM:
            level, from_water = (wish.calcium_share or 0.0) * float(wanted[-1]), 0.0
        else:
            level, from_water = wish.row[thing], wish.blanks.get(thing, 0.0)
        if brings.max() == 0 and level > from_water:
            raise FileError(f"no stock of this family brings {thing}", where=where,
                            found=", ".join(s.id for s in stocks), remedy="add one that does to the family's stocks")
        least, most = reach(amounts, wanted, of=brings)
        got = min(max(level - from_water, least), most)
        if abs(got + from_water - level) > NEAR_ENOUGH * level:
            missed.append(Missed(thing, level, got + from_water, "least" if got + from_water > level else "most"))
        amounts, wanted = np.vstack([amounts, brings]), np.append(wanted, got)
    return amounts, wanted, tuple(missed)


def _held(thing: str, composition: Composition) -> Vector:
    if thing == _CALCIUM:
        return np.asarray(composition.get("Ca", 0.0)) * molar.CACO3
    return amount(composition, thing)


def _check_room(aliquots: Sequence[Aliquot], made: Filled, *, where: str) -> None:
    total = sum(a.draw.total_ml for a in aliquots)
    if total > made.flask.volume_ml:
        raise FileError("the aliquots are larger than the flask", where=where,
                        found=" + ".join(f"{a.draw.total_ml:g} ml {a.stock.id}" for a in aliquots),
                        allowed=f"{made.flask.volume_ml:g} ml together ({made.flask.id})",
                        remedy="make the stocks stronger")
