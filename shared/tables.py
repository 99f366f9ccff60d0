"""CSV as spreadsheets write and read it; the one border at which the csv module's errors become ours."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from io import StringIO
from pathlib import Path

from shared.errors import FileError

#: A line of a table: its number in the file, and its cells without the blanks about them.
Line = tuple[int, list[str]]


def csv_lines(path: Path) -> list[Line]:
    """The header and the rows of a CSV file; lines without content are passed over.

    Raises FileError where the file cannot be read, is no text or holds no row.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.reader(file)
            lines = [(reader.line_num, [c.strip() for c in cells]) for cells in reader]
    except OSError as error:
        raise FileError("the table cannot be read", where=str(path), found=error.strerror or str(error),
                        remedy="check the path and its permissions") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise FileError("the table cannot be read", where=str(path), found=str(error),
                        allowed="CSV text in UTF-8") from error
    filled = [line for line in lines if any(line[1])]
    if len(filled) < 2:
        raise FileError("the table is empty", where=str(path), allowed="a header and at least one row")
    return filled


def csv_text(rows: Iterable[Sequence[str]]) -> str:
    """Rows as CSV."""
    text = StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue()
