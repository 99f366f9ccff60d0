"""A table that a person wrote: CSV with plain words in its header. Each cell knows its place, for messages."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Final

from shared.tables import csv_lines
from stripread.store.errors import RecordsError

#: Longest file that is read, bytes: 100 000 rows of some 300 letters.
_LONGEST: Final = 32 * 2**20
#: Of a day without an hour this one is taken: far from both its ends wherever on Earth.
_NOON: Final = time(12, tzinfo=UTC)
#: The UTC offset where each day begins first, and a difference that clocks may have.
_FIRST_ZONE: Final = timedelta(hours=14)
_AHEAD: Final = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class CsvRow:
    """One line: ``cells`` by header, empty ones are ""."""

    cells: Mapping[str, str]
    file: Path
    line: int

    def where(self, column: str = "") -> str:
        """File and line, and the column if one is given."""
        return f"{self.file}:{self.line}" + (f", column {column}" if column else "")

    def refuse(self, column: str, what: str, allowed: str) -> RecordsError:
        """The error for a cell."""
        return RecordsError(what, where=self.where(column), found=repr(self.cells[column][:80]), allowed=allowed)

    def text(self, column: str) -> str:
        """A cell that must say something."""
        if not self.cells[column]:
            raise RecordsError("the cell is empty", where=self.where(column), allowed=f"every row names its {column}")
        return self.cells[column]

    def optional(self, column: str) -> str | None:
        """A cell, or None where it is empty or the table has no such column."""
        return self.cells.get(column) or None

    def day(self, column: str) -> date | None:
        """A day, or None."""
        text = self.optional(column)
        try:
            return None if text is None else date.fromisoformat(text)
        except ValueError as error:
            raise self.refuse(column, "is no day", "year-month-day, as 2031-05-02") from error

    def moment(self, column: str) -> datetime:
        """A moment with its zone; a day alone stands for its noon in UTC."""
        try:
            found = datetime.fromisoformat(self.text(column))
        except ValueError as error:
            raise self.refuse(column, "is no time", "2031-05-02, or 2031-05-02T09:30+02:00") from error
        if found.tzinfo is None and len(self.cells[column]) > len("2031-05-02"):
            raise self.refuse(column, "leaves its time zone open", "2031-05-02T09:30+02:00, or ...Z for UTC")
        return found if found.tzinfo else datetime.combine(found.date(), _NOON)

    def past(self, column: str, now: datetime) -> datetime:
        """A moment as `moment` gives it, or a day that has begun somewhere on Earth."""
        found, day_alone = self.moment(column), len(self.cells[column]) <= len("2031-05-02")
        if found.date() > (now.astimezone(UTC) + _FIRST_ZONE).date() if day_alone else found > now + _AHEAD:
            raise self.refuse(column, "is in the future", f"{now:%Y-%m-%dT%H:%M%z} or earlier")
        return found

    def whole_number(self, column: str) -> int | None:
        """A whole number, or None."""
        text = self.optional(column)
        if text is not None and not (text.isascii() and text.isdigit() and len(text) <= 9):
            raise self.refuse(column, "is no whole number", "0 or more")
        return None if text is None else int(text)


@dataclass(frozen=True, slots=True)
class CsvTable:
    """A whole table: its headers in their order, and its rows."""

    file: Path
    headers: tuple[str, ...]
    rows: tuple[CsvRow, ...]

    def check_columns(self, required: Collection[str], optional: Collection[str]) -> None:
        """Raise RecordsError for a column that is missing or that nobody knows."""
        missing = [name for name in required if name not in self.headers]
        unknown = [name for name in self.headers if name not in {*required, *optional}]
        if missing or unknown:
            what, found = ("a column is missing", ", ".join(self.headers)) if missing else (
                "an unknown column", repr(unknown[0][:80]))
            raise RecordsError(what, where=f"{self.file}:1", found=found,
                               allowed=f"{', '.join(required)}; if you like {', '.join(optional) or 'nothing else'}")


def read_csv_table(file: Path) -> CsvTable:
    """The table in a CSV file. Raises FileError or RecordsError for one that cannot be read."""
    if file.stat().st_size > _LONGEST:
        raise RecordsError("the table is too long", where=str(file), found=f"{file.stat().st_size} bytes",
                           allowed=f"up to {_LONGEST}; make several of it")
    (_, headers), *rest = csv_lines(file)
    if len(set(headers)) < len(headers):
        twice = next(name for name in headers if headers.count(name) > 1)
        raise RecordsError("a column stands twice", where=f"{file}:1", found=repr(twice[:80]))
    for line, cells in rest:
        if len(cells) != len(headers):
            raise RecordsError("the row does not have one cell a column", where=f"{file}:{line}",
                               found=f"{len(cells)} cells", allowed=str(len(headers)))
    return CsvTable(file, tuple(headers), tuple(CsvRow(dict(zip(headers, cells, strict=True)), file, line)
                                             for line, cells in rest))
