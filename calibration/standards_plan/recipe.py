"""Recipe of one solution: aliquots for the required levels, adapted to the range of the stocks.

Stocks bring several things at once, so the wanted amounts are equations ``amounts @ volumes = wanted`` with no
volume negative. The corners of what is possible are solutions in as few stocks as there are equations
(Dantzig, Linear Programming and Extensions, 1963, ch. 5): few enough here to try them all.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Final

import numpy as np

from calibration.standards_plan.file import Column, Family
from calibration.standards_plan.glassware import NEAR_ENOUGH, Draw, draw
from calibration.standards_plan.inventory import Shelf
from calibration.standards_plan.salts import COUNTS, Composition, amount
from calibration.standards_plan.stock import FilledFlask, Stock
from calibration.standards_plan.uncertainty import nominal
from shared.errors import FileError
from shared.quantities import convert
from shared.water import Vector, molar

Row = dict[str, float]


def rows(family: Family, *, where: str) -> tuple[Row, ...]:
    """The required levels of each solution by analyte. Raises FileError for an invalid column of levels."""
    columns = {analyte: _column(analyte, column, where=f"{where}.levels.{analyte}")
               for analyte, column in family.levels.items()}
    lengths = {analyte: len(values) for analyte, values in columns.items()}
    if len(set(lengths.values())) > 1:
        raise FileError("the columns of levels differ in length", where=f"{where}.levels",
                        found=", ".join(f"{a} {n}" for a, n in lengths.items()),
                        allowed="one level of each analyte for each solution")
    _check_lead(family, next(iter(columns.values())), where=where)
    return tuple(dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True))


def _column(analyte: str, column: Column, *, where: str) -> tuple[float, ...]:
    if analyte not in COUNTS:
        raise FileError("levels of this analyte cannot be made from salts", where=where, found=analyte,
                        allowed=", ".join(COUNTS), remedy="give pH as a [[buffer]] or a [[reference]]")
    values = tuple(_level(analyte, level, column.unit, where=f"{where}[{i}]")
                   for i, level in enumerate(column.levels))
    twice = next((v for v in values if values.count(v) > 1), None)
    if twice is not None:
        raise FileError("a level occurs twice", where=where, found=f"{twice:g}", allowed="each level once")
    return values


def _level(analyte: str, level: float | str, unit: str, *, where: str) -> float:
    if isinstance(level, str):
        raise FileError("a level is not a number", where=where, found=repr(level),
                        allowed=f"a number: the whole column is in {unit}",
                        remedy="a column has one unit: convert the level, or put it into another family")
    return convert(level, analyte, unit=unit, where=where)


def _check_lead(family: Family, values: tuple[float, ...], *, where: str) -> None:
    """The first column leads: a curve needs two levels, and they go upwards."""
    lead = f"{where}.levels.{next(iter(family.levels))}"
    least = 2 if family.role == "standard" else 1
    if len(values) < least:
        raise FileError("too few levels for a curve", where=lead, found=str(len(values)),
                        allowed=f"{least} or more", remedy='add levels, or give the family role = "check"')
    drop = next(((a, b) for a, b in pairwise(values) if b <= a), None)
    if drop is not None:
        raise FileError("the levels are out of order", where=lead, found=f"{drop[1]:g} after {drop[0]:g}",
                        allowed="each level above the one before",
                        remedy="sort the solutions by the first analyte; the others may go up and down")


#: How exactly an equation must be satisfied, relative to the largest amount in it.
_EXACT = 1e-9


def recipes(amounts: Vector, wanted: Vector) -> Iterator[Vector]:
    """Volumes that give the required levels, fewest stocks first, then in the order of the stocks.

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
    levels = [float(of @ volumes) for volumes in recipes(amounts, wanted)]
    endless = np.any((of > 0) & (np.abs(amounts).max(axis=0, initial=0.0) == 0))
    return min(levels), float("inf") if endless else max(levels)


#: Calcium as hardness: what a wanted share of calcium is counted in.
_CALCIUM: Final = "calcium hardness"
#: Priority of the targets; chloride has the lowest.
_ORDER: Final = ("chlorine", "hardness", _CALCIUM, "alkalinity", *(a for a in COUNTS if a != "chloride"), "chloride")


@dataclass(frozen=True, slots=True)
class MissedLevel:
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
    """Aliquots to make up in the flask, and the levels that cannot be reached."""

    made: FilledFlask
    aliquots: tuple[Aliquot, ...]
    missed: tuple[MissedLevel, ...]


@dataclass(frozen=True, slots=True)
class Wish:
    """Levels wanted in a flask; ``blanks``: concentrations in the deionised water, by analyte."""

    row: Row
    calcium_share: float | None
    blanks: Mapping[str, float]
    made: FilledFlask

    def ordered(self) -> list[str]:
        """The required levels, in order of priority."""
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


def _reachable(wish: Wish, stocks: Sequence[Stock], *, where: str) -> tuple[Vector, Vector, tuple[MissedLevel, ...]]:
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
            raise FileError(f"no stock of this family contains {thing}", where=where,
                            found=", ".join(s.id for s in stocks), remedy="add a stock that contains it to the family")
        least, most = reach(amounts, wanted, of=brings)
        got = min(max(level - from_water, least), most)
        if abs(got + from_water - level) > NEAR_ENOUGH * level:
            missed.append(MissedLevel(thing, level, got + from_water, "least" if got + from_water > level else "most"))
        amounts, wanted = np.vstack([amounts, brings]), np.append(wanted, got)
    return amounts, wanted, tuple(missed)


def _held(thing: str, composition: Composition) -> Vector:
    if thing == _CALCIUM:
        return np.asarray(composition.get("Ca", 0.0)) * molar.CACO3
    return amount(composition, thing)


def _check_room(aliquots: Sequence[Aliquot], made: FilledFlask, *, where: str) -> None:
    total = sum(a.draw.total_ml for a in aliquots)
    if total > made.flask.volume_ml:
        raise FileError("the aliquots are larger than the flask", where=where,
                        found=" + ".join(f"{a.draw.total_ml:g} ml {a.stock.id}" for a in aliquots),
                        allowed=f"{made.flask.volume_ml:g} ml together ({made.flask.id})",
                        remedy="make the stocks more concentrated")
