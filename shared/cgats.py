"""A tolerant reader of CGATS.17 text: header keywords and one table, each cell with its line.

Takes tabs or spaces, quoted strings, decimal commas, CR, LF or CR LF line ends, fields in any order, UTF-8,
UTF-16 or Latin-1; it does not take a table that contradicts itself.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from shared.errors import FileError
from shared.files import read_bytes

_TOKEN = re.compile(r'"[^"]*"|\S+')
_END = re.compile(r"\r\n|\r|\n")
_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


@dataclass(frozen=True, slots=True)
class Row:
    """One line of data: its cells by field name (upper case) and where it stood."""

    cells: dict[str, str]
    where: str

    def number(self, field: str) -> float:
        """The cell as a finite number; a decimal comma is one too."""
        text = self.cells[field]
        try:
            value = float(text.replace(",", ".")) if "_" not in text else float("nan")
        except ValueError:
            value = float("nan")
        if not isfinite(value):
            raise FileError(f"{field} is not a number", where=self.where, found=repr(text),
                            allowed="a finite number", remedy="measure the patch again or correct the cell")
        return value


@dataclass(frozen=True, slots=True)
class CgatsTable:
    """``header``: values by keyword (upper case). ``fields`` (upper case) in the file's order."""

    header: dict[str, str]
    fields: tuple[str, ...]
    rows: tuple[Row, ...]
    where: str


def read_cgats(path: Path) -> CgatsTable:
    """The table in a CGATS.17 file, with its counts checked."""
    return table_of(cgats_text(read_bytes(path), str(path)), str(path))


def table_of(content: str, where: str) -> CgatsTable:
    """The table in a CGATS.17 text, with its counts checked; ``where`` names the text in messages."""
    lines = [(n, text.strip()) for n, text in enumerate(_END.split(content), 1)]
    lines = [(n, text) for n, text in lines if text and not text.startswith("#")]
    head, form, data = _sections(lines, where)
    header = _header(text for _, text in head)
    fields = tuple(_bare(t).upper() for _, text in form for t in _TOKEN.findall(text))
    _check_fields(fields, where)
    rows = tuple(_row(text, fields, where=f"{where}:{n}") for n, text in data)
    _check_counts(header, {"NUMBER_OF_FIELDS": len(fields), "NUMBER_OF_SETS": len(rows)}, where=where)
    return CgatsTable(header=header, fields=fields, rows=rows, where=where)


def cgats_text(data: bytes, where: str) -> str:
    """The bytes as text, whichever way it was encoded. Raises FileError if it is not text."""
    try:
        for bom, encoding in _BOMS:
            if data.startswith(bom):
                return data.decode(encoding)
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    if "\0" in text:
        raise FileError("is not a text file", where=where, found="binary data", allowed="CGATS.17 text")
    return text


def _sections(lines: list[tuple[int, str]], where: str) -> tuple[list[tuple[int, str]], ...]:
    """Header lines, lines of the data format and lines of the data."""
    place = {text.upper(): i for i, (_, text) in reversed(list(enumerate(lines)))}
    marks = ("BEGIN_DATA_FORMAT", "END_DATA_FORMAT", "BEGIN_DATA", "END_DATA")
    missing = [m for m in marks if m not in place]
    if missing:
        raise FileError(f"the line {missing[0]} is missing: the file is not a CGATS.17 table, or it is truncated",
                        where=where,
                        allowed=", ".join(marks), remedy="export the measurement again")
    a, b, c, d = (place[m] for m in marks)
    if not a < b < c < d:
        raise FileError("the table's sections are out of order", where=where, allowed=" before ".join(marks))
    return lines[:a] + lines[b + 1 : c], lines[a + 1 : b], lines[c + 1 : d]


def _header(lines: Iterable[str]) -> dict[str, str]:
    """Return values by keyword; those of a repeated keyword are joined."""
    header: dict[str, str] = {}
    for line in lines:
        keyword, *values = _TOKEN.findall(line)
        header[keyword.upper()] = " ".join(filter(None, [header.get(keyword.upper()), *map(_bare, values)]))
    return header


def _bare(token: str) -> str:
    return token.strip().strip('"').strip()


def _check_fields(fields: tuple[str, ...], where: str) -> None:
    twice = sorted({f for f in fields if fields.count(f) > 1})
    if twice:
        raise FileError("a field occurs twice in the data format", where=where, found=", ".join(twice))


def _row(text: str, fields: tuple[str, ...], *, where: str) -> Row:
    """Cells split at tabs where those give one a field (names may then contain spaces), else at white space."""
    cells = text.split("\t")
    if len(cells) != len(fields):
        cells = _TOKEN.findall(text)
    if len(cells) != len(fields):
        raise FileError("the line does not have one cell for each field", where=where, found=f"{len(cells)} cells",
                        allowed=f"{len(fields)} cells, one for each field of the data format", remedy="export it again")
    return Row(cells=dict(zip(fields, map(_bare, cells), strict=True)), where=where)


def _check_counts(header: dict[str, str], counts: dict[str, int], *, where: str) -> None:
    for keyword, count in counts.items():
        stated = header.get(keyword, str(count))
        if stated != str(count):
            raise FileError(f"{keyword} does not match the table", where=where,
                            found=f"{stated} stated, {count} in the table",
                            remedy="export it again: the file may be truncated")
