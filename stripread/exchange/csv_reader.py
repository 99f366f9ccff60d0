"""CSV tables written by users. Each row has its file and line, for error messages."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Final

from shared.tables import csv_lines
from stripread.store.errors import RecordsError

#: Maximum file size in bytes: 100 000 rows of about 300 characters.
_LONGEST: Final = 32 * 2**20
#: Time assumed for a date without a time: far from both ends of the day in every time zone.
_NOON: Final = time(12, tzinfo=UTC)
#: Largest UTC offset, where each day begins first; and tolerance for clocks that differ.
_FIRST_ZONE: Final = timedelta(hours=14)
_AHEAD: Final = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class CsvRow:
    """One row; ``cells``: text by header, "" if empty."""

    cells: Mapping[str, str]
    file: Path
    line: int

    def where(self, column: str = "") -> str:
        """Return file and line, and the column if one is given."""
        return f"{self.file}:{self.line}" + (f", column {column}" if column else "")

    def cell_error(self, column: str, what: str, allowed: str) -> RecordsError:
        """Return the error for a cell."""
        return RecordsError(what, where=self.where(column), found=repr(self.cells[column][:80]), allowed=allowed)

    def text(self, column: str) -> str:
        """Return the text of a cell that must not be empty. Raises RecordsError."""
        if not self.cells[column]:
            raise RecordsError("the cell is empty", where=self.where(column), allowed=f"a value for {column}")
        return self.cells[column]

    def optional(self, column: str) -> str | None:
        """Return the text of a cell, or None if it is empty or the table has no such column."""
        return self.cells.get(column) or None

    def day(self, column: str) -> date | None:
        """Return a date, or None if the cell is empty."""
        text = self.optional(column)
        try:
            return None if text is None else date.fromisoformat(text)
        except ValueError as error:
            raise self.cell_error(column, "is not a date", "year-month-day, as 2031-05-02") from error

    def moment(self, column: str) -> datetime:
        """Return a time with its zone; a date alone means noon in UTC."""
        try:
            moment = datetime.fromisoformat(self.text(column))
        except ValueError as error:
            raise self.cell_error(column, "is not a date or time", "2031-05-02, or 2031-05-02T09:30+02:00") from error
        if moment.tzinfo is None and len(self.cells[column]) > len("2031-05-02"):
            raise self.cell_error(column, "has no time zone", "2031-05-02T09:30+02:00, or ...Z for UTC")
        return moment if moment.tzinfo else datetime.combine(moment.date(), _NOON)

    def past(self, column: str, now: datetime) -> datetime:
        """Return a time as `moment` does. Raises RecordsError if it is in the future in every time zone."""
        moment, day_alone = self.moment(column), len(self.cells[column]) <= len("2031-05-02")
        if moment.date() > (now.astimezone(UTC) + _FIRST_ZONE).date() if day_alone else moment > now + _AHEAD:
            raise self.cell_error(column, "is in the future", f"{now:%Y-%m-%dT%H:%M%z} or earlier")
        return moment

    def whole_number(self, column: str) -> int | None:
        """Return a whole number, or None if the cell is empty."""
        text = self.optional(column)
        if text is not None and not (text.isascii() and text.isdigit() and len(text) <= 9):
            raise self.cell_error(column, "is not a whole number", "0 to 999999999")
        return None if text is None else int(text)


@dataclass(frozen=True, slots=True)
class CsvTable:
    """A table: headers in file order, and rows."""

    file: Path
    headers: tuple[str, ...]
    rows: tuple[CsvRow, ...]

    def check_columns(self, required: Collection[str], optional: Collection[str]) -> None:
        """Raise RecordsError for a missing or unknown column."""
        missing = [name for name in required if name not in self.headers]
        unknown = [name for name in self.headers if name not in {*required, *optional}]
        if missing or unknown:
            what, found = ("a column is missing", ", ".join(self.headers)) if missing else (
                "an unknown column", repr(unknown[0][:80]))
            raise RecordsError(what, where=f"{self.file}:1", found=found,
                               allowed=f"{', '.join(required)}; optional: {', '.join(optional) or 'none'}")


def read_csv_table(file: Path) -> CsvTable:
    """Return the table in a CSV file. Raises FileError or RecordsError if it cannot be read."""
    if file.stat().st_size > _LONGEST:
        raise RecordsError("the file is too large", where=str(file), found=f"{file.stat().st_size} bytes",
                           allowed=f"up to {_LONGEST} bytes", remedy="split it into several files")
    (_, headers), *rest = csv_lines(file)
    if len(set(headers)) < len(headers):
        twice = next(name for name in headers if headers.count(name) > 1)
        raise RecordsError("a column is listed twice", where=f"{file}:1", found=repr(twice[:80]))
    for line, cells in rest:
        if len(cells) != len(headers):
            raise RecordsError("the row does not have one cell for each column", where=f"{file}:{line}",
                               found=f"{len(cells)} cells", allowed=str(len(headers)))
    return CsvTable(file, tuple(headers), tuple(CsvRow(dict(zip(headers, cells, strict=True)), file, line)
                                             for line, cells in rest))
