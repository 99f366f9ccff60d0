"""The standards table: one photograph a row, what was in the solution it shows, units in the header.

Columns: ``photo``, ``standard``, ``role`` (standard or check), ``light``, and for each analyte its value and
standard uncertainty, ``hardness [mg/L CaCO3], u(hardness) [mg/L CaCO3]``. An empty cell: not certified in
this solution.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from pathlib import Path

from shared.errors import FileError

_HEADER = re.compile(r"^(?P<u>u\()?(?P<analyte>[a-z_]+)(?(u)\))\s*(?:\[(?P<unit>[^\]]+)\])?$")
_FIXED = ("photo", "standard", "role", "light")
ROLES = ("standard", "check")


@dataclass(frozen=True, slots=True)
class Certified:
    """A certified value and its standard uncertainty, in the strip type's unit of the analyte."""

    value: float
    u: float


@dataclass(frozen=True, slots=True)
class StandardRow:
    """One photograph of one solution; ``certified`` by analyte."""

    photo: Path
    standard: str
    role: str
    light: str
    certified: dict[str, Certified]


@dataclass(frozen=True, slots=True)
class _Column:
    index: int
    analyte: str
    is_u: bool


def read_standards(path: Path, units: dict[str, str]) -> tuple[StandardRow, ...]:
    """Rows of a standards table. ``units``: the strip type's unit of each analyte.

    Raises FileError naming file, line and column for anything that is missing, unknown, doubled or impossible.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            lines = list(csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise FileError("the standards table cannot be read", where=str(path), found=str(error)) from error
    if len(lines) < 2:
        raise FileError("the standards table is empty", where=str(path), allowed="a header and one photograph a row")
    fixed, columns = _columns(lines[0], units, str(path))
    rows = tuple(_row(line, fixed, columns, path, n) for n, line in enumerate(lines[1:], 2) if any(line))
    _check_photos(rows, path)
    return rows


def _columns(header: list[str], units: dict[str, str], where: str) -> tuple[dict[str, int], list[_Column]]:
    names = [h.strip() for h in header]
    missing = [c for c in _FIXED if c not in names]
    if missing:
        raise FileError("a column is missing", where=f"{where}:1", found=f"no column {', '.join(missing)}",
                        allowed=", ".join(_FIXED))
    columns = [_column(i, n, units, where) for i, n in enumerate(names) if n not in _FIXED]
    for kind in (False, True):
        seen = [c.analyte for c in columns if c.is_u == kind]
        if len(set(seen)) < len(seen):
            twice = next(a for a in seen if seen.count(a) > 1)
            raise FileError("a column stands twice", where=f"{where}:1", found=f"{twice} more than once",
                            allowed="one column of values and one of u(...) for each analyte")
    for column in columns:
        if column.is_u and not any(c.analyte == column.analyte and not c.is_u for c in columns):
            raise FileError("an uncertainty without its values", where=f"{where}:1", found=f"u({column.analyte})",
                            allowed=f"a column {column.analyte} [{units[column.analyte]}] as well")
    return {c: names.index(c) for c in _FIXED}, columns


def _column(index: int, name: str, units: dict[str, str], where: str) -> _Column:
    match = _HEADER.match(name)
    if match is None or match["analyte"] not in units:
        raise FileError("an unknown column", where=f"{where}:1", found=name, allowed=", ".join((*_FIXED, *units)))
    unit, wanted = match["unit"], units[match["analyte"]]
    if unit != wanted and not (unit is None and wanted == "pH"):
        raise FileError("a wrong unit", where=f"{where}:1", found=name, allowed=f"{match['analyte']} [{wanted}]",
                        remedy="give the values in the strip type's unit and name it in the header")
    return _Column(index, match["analyte"], match["u"] is not None)


def _row(line: list[str], fixed: dict[str, int], columns: list[_Column], path: Path, n: int) -> StandardRow:
    where = f"{path}:{n}"
    if len(line) <= max(fixed.values()):
        raise FileError("a row is too short", where=where, found=f"{len(line)} cells", allowed="as many as the header")
    role = line[fixed["role"]].strip()
    if role not in ROLES:
        raise FileError("an unknown role", where=where, found=role or "nothing", allowed=", ".join(ROLES))
    values, doubts = ({c.analyte: v for c in columns if c.is_u == u and (v := _number(line, c, where)) is not None}
                      for u in (False, True))
    text = {c: line[i].strip() for c, i in fixed.items()}
    for name in ("photo", "standard", "light"):
        if not text[name]:
            raise FileError("an empty cell", where=where, found=f"no {name}", allowed=f"every row names its {name}")
    certified = {a: Certified(v, doubts.get(a, 0.0)) for a, v in values.items()}
    return StandardRow(path.parent / text["photo"], text["standard"], role, text["light"], certified)


def _number(line: list[str], column: _Column, where: str) -> float | None:
    text = line[column.index].strip() if column.index < len(line) else ""
    if not text:
        return None
    name = f"u({column.analyte})" if column.is_u else column.analyte
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value < 0:
        raise FileError("no possible number", where=f"{where}, column {name}", found=text,
                        allowed="0 or more, with a decimal point")
    return value


def _check_photos(rows: tuple[StandardRow, ...], path: Path) -> None:
    seen: dict[Path, int] = {}
    for n, row in enumerate(rows, 2):
        if row.photo in seen:
            raise FileError("a photograph stands twice", where=f"{path}:{n}", found=row.photo.name,
                            allowed=f"each photograph once (first at line {seen[row.photo]})")
        seen[row.photo] = n
        if not row.photo.is_file():
            raise FileError("a photograph is missing", where=f"{path}:{n}", found=str(row.photo),
                            allowed="a path relative to the table", remedy="correct the name or add the file")
