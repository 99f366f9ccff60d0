"""A table as CSV, JSON lines or Parquet."""

from __future__ import annotations

import csv
import io
from typing import Any, Final

import msgspec

from stripread.exchange.readings_table import Cell, ReadingsTable
from stripread.store.errors import RecordsError

#: With these a spreadsheet takes a cell for a formula and runs it (OWASP, CSV injection).
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def as_csv(table: ReadingsTable) -> bytes:
    """UTF-8, a header, RFC 4180; text that a spreadsheet would run as a formula begins with an apostrophe."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow([column.header for column in table.columns])
    writer.writerows([_cell(cell) for cell in row] for row in table.rows)
    return text.getvalue().encode()


def as_json_lines(table: ReadingsTable) -> bytes:
    """An object a row, its keys the headers; empty cells are null."""
    headers = [column.header for column in table.columns]
    return b"".join(msgspec.json.encode(dict(zip(headers, row, strict=True))) + b"\n" for row in table.rows)


def as_parquet(table: ReadingsTable) -> bytes:
    """With typed columns. Raises RecordsError where pyarrow is not installed."""
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ModuleNotFoundError as error:
        raise RecordsError("the writer of Parquet is not installed", where="format parquet",
                           found=f"no module {error.name}", remedy="install stripread[parquet]") from error
    types: dict[type, Any] = {str: pa.string(), float: pa.float64(), bool: pa.bool_()}
    schema = pa.schema([(column.header, types[column.type]) for column in table.columns])
    cells = zip(*table.rows, strict=True) if table.rows else [()] * len(table.columns)
    arrays = [pa.array(column, field.type) for column, field in zip(cells, schema, strict=True)]
    sink = io.BytesIO()
    parquet.write_table(pa.Table.from_arrays(arrays, schema=schema), sink)
    return sink.getvalue()


def _cell(cell: Cell) -> str:
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, str):
        return harmless(cell)
    return "" if cell is None else repr(cell)


def harmless(text: str) -> str:
    """The text so that no spreadsheet runs it."""
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA) else text
