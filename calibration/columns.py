"""Columns of values in a person's table: the analyte and its unit in the header, ``hardness [°dH]``."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from shared.analytes import ANALYTES
from shared.errors import FileError
from shared.quantities import read_quantity
from shared.tables import csv_lines

_HEADER = re.compile(r"(?P<analyte>[a-z_]+)\s*(?:\[(?P<unit>[^\]]*)\])?")


@dataclass(frozen=True, slots=True)
class Table:
    """``rows``: line number in the file and cells by column name; ``units`` by column of an analyte."""

    where: str
    rows: tuple[tuple[int, dict[str, str]], ...]
    units: dict[str, str]

    def value(self, row: int, analyte: str) -> float | None:
        """The value of the cell in the analyte's unit; None if it is empty."""
        line, cells = self.rows[row]
        text = cells[analyte]
        if not text:
            return None
        return read_quantity(f"{text} {self.units[analyte]}", analyte, where=f"{self.where}:{line}, column {analyte}")


def read_table(path: Path, *, required: Sequence[str], optional: Collection[str] = ()) -> Table:
    """A CSV table with the named text columns and any analytes; every other column is an error."""
    where = str(path)
    lines = csv_lines(path)
    names, units = _columns(lines[0][1], {*required, *optional}, where=f"{where}:{lines[0][0]}")
    missing = [c for c in required if c not in names]
    if missing or not units:
        raise FileError("a column is missing", where=where, found=f"no {', '.join(missing) or 'column of values'}",
                        allowed=f"{', '.join(required)} and at least one analyte")
    return Table(where, tuple((n, _cells(names, cells, where=f"{where}:{n}")) for n, cells in lines[1:]), units)


def _columns(header: Sequence[str], text_columns: Collection[str], *, where: str) -> tuple[list[str], dict[str, str]]:
    names: list[str] = []
    units: dict[str, str] = {}
    for title in header:
        match = _HEADER.fullmatch(title)
        name = match["analyte"] if match else title
        if match is None or name not in {*text_columns, *ANALYTES}:
            raise FileError("an unknown column", where=where, found=repr(title),
                            allowed=", ".join((*sorted(text_columns), *ANALYTES)))
        if name in names:
            raise FileError("a column occurs twice", where=where, found=name)
        names.append(name)
        if name not in text_columns:
            units[name] = match["unit"] or ""
    return names, units


def _cells(names: Sequence[str], cells: Sequence[str], *, where: str) -> dict[str, str]:
    if len(cells) != len(names):
        raise FileError("the row does not have one cell for each column", where=where, found=f"{len(cells)} cells",
                        allowed=f"{len(names)}")
    return dict(zip(names, cells, strict=True))
