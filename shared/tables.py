"""CSV as spreadsheets write and read it, the only place of errors of the csv module; columns with analyte and unit.

Accepted: comma, semicolon or tab; UTF-8 and UTF-16 with or without a byte order mark, Windows-1252; a decimal comma
where the separator is not a comma; a first line ``sep=;``.
"""

from __future__ import annotations

import csv
import re
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from shared.analytes import ANALYTES
from shared.errors import FileError
from shared.files import read_bytes
from shared.quantities import read_quantity

#: A line of a table: its number in the file, and its cells stripped of surrounding whitespace.
Line = tuple[int, list[str]]

_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
_ALLOWED = ("CSV text with columns separated by comma, semicolon or tab, in UTF-8, UTF-16 or Windows-1252; "
            "in a spreadsheet program, save as CSV")
_QUOTED = re.compile(r'"[^"]*"')
_HINT = re.compile(r"sep=(.)", re.IGNORECASE)
_COMMA_NUMBER = re.compile(r"([<>]?\s*[+-]?\d+),(\d+)")
_POINT_NUMBER = re.compile(r"[<>]?\s*[+-]?\d+\.\d+")
#: Starts of files that spreadsheet programs write and that are not text: zip (xlsx, ods) and compound files (xls).
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


@dataclass(frozen=True, slots=True)
class _Text:
    """A file's text without the first line ``sep=;``, of which there were ``skipped``."""

    where: str
    text: str
    encoding: str
    separator: str
    skipped: int

    @property
    def read_as(self) -> str:
        """Separator and encoding, for messages."""
        return f"{_SEPARATORS[self.separator]}-separated, {self.encoding}"


def csv_lines(path: Path) -> list[Line]:
    """The header and the rows of a CSV file; lines without content are passed over.

    Raises FileError, naming separator and encoding, where the file cannot be read, is not text or has no rows.
    """
    source = _text(read_bytes(path), str(path))
    try:
        reader = csv.reader(StringIO(source.text, newline=""), delimiter=source.separator)
        lines = [(reader.line_num + source.skipped, [c.strip() for c in cells]) for cells in reader]
    except csv.Error as error:
        raise FileError("the table cannot be read", where=str(path), found=f"{error} ({source.read_as})",
                        allowed=_ALLOWED) from error
    filled = [line for line in lines if any(line[1])]
    if len(filled) < 2:
        raise FileError("the table is empty", where=str(path), found=source.read_as,
                        allowed="a header and at least one row")
    if len(filled[0][1]) == 1:
        raise FileError("the table has a single column", where=f"{path}:{filled[0][0]}",
                        found=f"{filled[0][1][0][:80]!r} ({source.read_as})", allowed=_ALLOWED)
    return filled if source.separator == "," else _with_points(filled, source)


def csv_text(rows: Iterable[Sequence[str]]) -> str:
    """Rows as CSV."""
    text = StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue()


def _text(data: bytes, where: str) -> _Text:
    if data.startswith(_WORKBOOKS):
        raise FileError("the file is a spreadsheet workbook, not a table in text", where=where, allowed=_ALLOWED)
    text, encoding = _decoded(data, where)
    first, _, rest = text.partition("\n")
    hint = _HINT.fullmatch(first.strip("\r "))
    if hint and hint[1] in _SEPARATORS:
        return _Text(where, rest, encoding, hint[1], 1)
    header = _QUOTED.sub("", next((line for line in text.splitlines() if line.strip()), ""))
    return _Text(where, text, encoding, max(_SEPARATORS, key=header.count), 0)


def _decoded(data: bytes, where: str) -> tuple[str, str]:
    """The text and the name of its encoding."""
    for encoding, name in _encodings(data):
        try:
            return data.decode(encoding).removeprefix("\ufeff"), name
        except UnicodeDecodeError:
            continue
    raise FileError("the text cannot be decoded", where=where, found="neither UTF-8, UTF-16 nor Windows-1252",
                    allowed=_ALLOWED)


def _encodings(data: bytes) -> list[tuple[str, str]]:
    """Encodings to try; without a byte order mark, UTF-16 shows by the zeros in every second byte of its header."""
    if data.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        return [("utf-16", "UTF-16")]
    start = data[:64]
    if len(start) > 3 and not any(start[1::2]):
        return [("utf-16-le", "UTF-16")]
    if len(start) > 3 and not any(start[0::2]):
        return [("utf-16-be", "UTF-16")]
    return [("utf-8", "UTF-8"), ("cp1252", "Windows-1252")]


def _with_points(lines: list[Line], source: _Text) -> list[Line]:
    """Numbers with a decimal comma written with a point. Raises FileError where the table has numbers of both kinds."""
    written = [(n, cell) for n, cells in lines[1:] for cell in cells]
    comma = next(((n, c) for n, c in written if _COMMA_NUMBER.fullmatch(c)), None)
    point = next(((n, c) for n, c in written if _POINT_NUMBER.fullmatch(c)), None)
    if comma and point:
        raise FileError("numbers have decimal commas and decimal points", where=f"{source.where}:{comma[0]}",
                        found=f"{comma[1]!r}, and {point[1]!r} in line {point[0]} ({source.read_as})",
                        allowed="one decimal sign in the whole table, and no thousands separators")
    return [lines[0], *((n, [_COMMA_NUMBER.sub(r"\1.\2", c) if _COMMA_NUMBER.fullmatch(c) else c for c in cells])
                        for n, cells in lines[1:])]


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
