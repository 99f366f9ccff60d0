"""The levels of a family, read from its columns into one row a solution, each in the analyte's own unit."""

from __future__ import annotations

from itertools import pairwise

from calibration.standards_plan.file import Column, Family
from calibration.standards_plan.salts import COUNTS
from shared.errors import FileError
from shared.quantities import convert

Row = dict[str, float]


def rows(family: Family, *, where: str) -> tuple[Row, ...]:
    """What is wanted of each solution by analyte. FileError where a column cannot be a column of levels."""
    columns = {analyte: _column(analyte, column, where=f"{where}.levels.{analyte}")
               for analyte, column in family.levels.items()}
    lengths = {analyte: len(values) for analyte, values in columns.items()}
    if len(set(lengths.values())) > 1:
        raise FileError("the columns of levels differ in length", where=f"{where}.levels",
                        found=", ".join(f"{a} {n}" for a, n in lengths.items()),
                        allowed="one level of each analyte a solution")
    _check_lead(family, next(iter(columns.values())), where=where)
    return tuple(dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True))


def _column(analyte: str, column: Column, *, where: str) -> tuple[float, ...]:
    if analyte not in COUNTS:
        raise FileError("levels of this cannot be made from salts", where=where, found=analyte,
                        allowed=", ".join(COUNTS), remedy="give pH as a [[buffer]] or a [[reference]]")
    values = tuple(_level(analyte, level, column.unit, where=f"{where}[{i}]")
                   for i, level in enumerate(column.levels))
    twice = next((v for v in values if values.count(v) > 1), None)
    if twice is not None:
        raise FileError("a level occurs twice", where=where, found=f"{twice:g}", allowed="each level once")
    return values


def _level(analyte: str, level: float | str, unit: str, *, where: str) -> float:
    if isinstance(level, str):
        raise FileError("a level with words or a unit of its own", where=where, found=repr(level),
                        allowed=f"a number: the whole column is in {unit}",
                        remedy="a column has one unit; convert the level, or make it another family")
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
