"""The standards table: one row for each photograph with the reference values of its solution; units in the header.

Columns: ``photo``, ``standard``, ``role`` (standard or check), ``light``, and for each analyte its value and
standard uncertainty, ``hardness [mg/L CaCO3], u(hardness) [mg/L CaCO3]``. An empty cell: not certified in
this solution.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from shared.errors import FileError
from shared.tables import csv_lines

_HEADER = re.compile(r"^(?P<u>u\()?(?P<analyte>[a-z_]+)(?(u)\))\s*(?:\[(?P<unit>[^\]]+)\])?$")
#: Columns every standards table has; the others are analytes.
FIXED = ("photo", "standard", "role", "light")
ROLES = ("standard", "check")
#: Standard uncertainty as a multiple of its value that only swapped columns explain; a low level's is smaller.
_SWAPPED_U = 3.0


@dataclass(frozen=True, slots=True)
class CertifiedValue:
    """A certified value and its standard uncertainty, in the strip type's unit of the analyte."""

    value: float
    u: float


@dataclass(frozen=True, slots=True)
class StandardRow:
    """One photograph of one solution; ``certified`` by analyte; ``where``: the row in its table."""

    photo: Path
    standard: str
    role: str
    light: str
    certified: dict[str, CertifiedValue]
    where: str = ""


@dataclass(frozen=True, slots=True)
class Cells:
    """A row as written, by column, ``where`` in the file."""

    where: str
    written: dict[str, str]


@dataclass(frozen=True, slots=True)
class _Column:
    """``header`` as written in the table, ``title`` without its unit: ``hardness``, ``u(hardness)``."""

    header: str
    title: str
    analyte: str


def read_standards(path: Path, units: Mapping[str, str]) -> tuple[StandardRow, ...]:
    """Rows of a standards table. ``units``: the strip type's unit of each analyte.

    Raises FileError naming file, line and column for anything that is missing, unknown, doubled or impossible, and for
    swapped columns of values and uncertainties.
    """
    written = _written(path, units)
    columns = [_column(name, units, written[0].where) for name in written[0].written if name not in FIXED]
    rows = tuple(_row(cells, columns, path.parent) for cells in written)
    _check_sameness(written)
    _check_swapped(rows)
    _check_photos(rows, written)
    return rows


def read_cells(path: Path, units: Mapping[str, str]) -> list[Cells]:
    """The rows of a standards table as written, with the structure validated, not the single cells.

    Raises FileError for a column that is missing, unknown, doubled, without its partner or in a wrong unit, for a
    row that does not fit the header, and for a standard that two rows describe differently.
    """
    rows = _written(path, units)
    _check_sameness(rows)
    return rows


def _written(path: Path, units: Mapping[str, str]) -> list[Cells]:
    (number, header), *lines = csv_lines(path)
    _check_header(header, units, where=f"{path}:{number}")
    return [_cells(header, cells, where=f"{path}:{n}") for n, cells in lines]


def _check_header(header: Sequence[str], units: Mapping[str, str], *, where: str) -> None:
    missing = [c for c in FIXED if c not in header]
    if missing:
        raise FileError("a column is missing", where=where, found=f"no column {', '.join(missing)}",
                        allowed=", ".join(FIXED))
    columns = [_column(name, units, where) for name in header if name not in FIXED]
    titles = [*(name for name in header if name in FIXED), *(c.title for c in columns)]
    twice = [t for t, n in Counter(titles).items() if n > 1]
    if twice:
        raise FileError("a column occurs twice", where=where, found=f"{twice[0]} more than once",
                        allowed="one column of values and one of u(...) for each analyte")
    for column in columns:
        absent = [t for t in (column.analyte, f"u({column.analyte})") if t not in titles]
        if absent:
            raise FileError("a column of values and its column of standard uncertainties must occur together",
                            where=where,
                            found=f"{column.title} alone",
                            allowed=f"a column {absent[0]} [{units[column.analyte]}] as well")


def _column(name: str, units: Mapping[str, str], where: str) -> _Column:
    match = _HEADER.match(name)
    if match is None or match["analyte"] not in units:
        raise FileError("an unknown column", where=where, found=name, allowed=", ".join((*FIXED, *units)))
    analyte, unit = match["analyte"], match["unit"]
    title = f"u({analyte})" if match["u"] else analyte
    if unit != units[analyte] and not (unit is None and units[analyte] == "pH"):
        raise FileError("a wrong unit", where=where, found=name, allowed=f"{title} [{units[analyte]}]",
                        remedy="give the values in the strip type's unit and name it in the header")
    return _Column(name, title, analyte)


def _cells(header: Sequence[str], cells: Sequence[str], *, where: str) -> Cells:
    """A row by columns; empty cells at its end may be missing or be more than the header has."""
    if len(cells) < len(FIXED) or any(cells[len(header):]):
        raise FileError("the row does not have one cell for each column", where=where, found=f"{len(cells)} cells",
                        allowed=f"{len(header)}")
    filled = [*cells, *[""] * (len(header) - len(cells))]
    return Cells(where, dict(zip(header, filled, strict=False)))


def _check_sameness(rows: Sequence[Cells]) -> None:
    """Rows of one standard differ in photograph and light alone."""
    first: dict[str, Cells] = {}
    for row in rows:
        like = first.setdefault(row.written["standard"], row)
        for column, text in row.written.items():
            if column not in ("photo", "light") and text != like.written[column]:
                raise FileError("two rows of this standard differ", where=f"{row.where}, column {column}",
                                found=f"{row.written['standard']} with {text or 'nothing'} and, in line "
                                      f"{_line(like)}, with {like.written[column] or 'nothing'}",
                                allowed="the same role and values in every row of a standard",
                                remedy="correct one row, or give the other solution its own name")


def _row(cells: Cells, columns: Sequence[_Column], folder: Path) -> StandardRow:
    text = cells.written
    if text["role"] not in ROLES:
        raise FileError("an unknown role", where=cells.where, found=text["role"] or "nothing",
                        allowed=", ".join(ROLES))
    for name in ("photo", "standard", "light"):
        if not text[name]:
            raise FileError("an empty cell", where=cells.where, found=f"no {name}",
                            allowed=f"a {name} in every row")
    numbers = {c.title: _number(text[c.header], f"{cells.where}, column {c.title}") for c in columns}
    return StandardRow(folder / text["photo"], text["standard"], text["role"], text["light"],
                       _certified(numbers, cells.where), cells.where)


def _certified(numbers: Mapping[str, float | None], where: str) -> dict[str, CertifiedValue]:
    """Values with their uncertainties by analyte; an exactly known value has the uncertainty 0."""
    values = {}
    for title, value in numbers.items():
        if title.startswith("u(") or (value is None and numbers[f"u({title})"] is None):
            continue
        u = numbers[f"u({title})"]
        if value is None or u is None:
            raise FileError("the reference value is incomplete", where=f"{where}, column {title}",
                            found="only the value" if u is None else "only its uncertainty",
                            allowed="a value and its standard uncertainty, or neither")
        values[title] = CertifiedValue(value, u)
    return values


def _number(text: str, where: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value < 0:
        raise FileError("is not a possible number", where=where, found=text, allowed="0 or more, with a decimal point",
                        remedy="" if math.isfinite(value) else "state the unit in the header, one for the whole column")
    return value


def _check_swapped(rows: Sequence[StandardRow]) -> None:
    """Raise FileError where the uncertainties of an analyte are far above most of its values; blanks count as good."""
    for analyte in dict.fromkeys(a for row in rows for a in row.certified):
        given = [row for row in rows if analyte in row.certified]
        large = [row for row in given if 0 < row.certified[analyte].value * _SWAPPED_U < row.certified[analyte].u]
        if 2 * len(large) > len(given):
            first = large[0].certified[analyte]
            raise FileError("u is larger than the value in most rows", where=f"{large[0].where}, column {analyte}",
                            found=f"{first.value:g} with u {first.u:g}; alike in {len(large)} of {len(given)} rows",
                            allowed="values with their own standard uncertainties",
                            remedy="are the columns swapped? Correct the header or the cells")


def _check_photos(rows: Sequence[StandardRow], written: Sequence[Cells]) -> None:
    first: dict[Path, Cells] = {}
    for row, cells in zip(rows, written, strict=True):
        like = first.setdefault(row.photo, cells)
        if like is not cells:
            raise FileError("a photograph occurs twice", where=cells.where, found=row.photo.name,
                            allowed=f"each photograph once (first at line {_line(like)})")
        if not row.photo.is_file():
            raise FileError("a photograph is missing", where=cells.where, found=str(row.photo),
                            allowed="a path relative to the table", remedy="correct the name or add the file")


def _line(cells: Cells) -> str:
    return cells.where.rpartition(":")[2]
