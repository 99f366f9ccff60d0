"""Readings as a table for other programs: one row for each reading, one column for each variable, units in the header.

``hardness [mg/L CaCO3]`` with its 95 % interval in ``low(hardness) [mg/L CaCO3]`` and ``high(hardness) [mg/L CaCO3]``;
``status(hardness)`` is below or above if only a bound is known. An analyte without values has no columns.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import msgspec
from sqlalchemy import Connection, select

from shared.analytes import ANALYTES, Analyte
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import StoredReading, ValueSummary, decode_summary
from stripread.store.reading_query import ReadingFilter, ReadingRow, readings
from stripread.store.schema import NAMES, RECORD_TYPES
from stripread.store.store import Store

#: A spreadsheet treats a cell that begins with one of these as a formula and runs it (OWASP, CSV injection).
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def as_csv(table: ReadingsTable) -> bytes:
    """Return the table as CSV (RFC 4180, UTF-8, with a header); formulas are escaped with an apostrophe."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow([column.header for column in table.columns])
    writer.writerows([_cell(cell) for cell in row] for row in table.rows)
    return text.getvalue().encode()


def as_json_lines(table: ReadingsTable) -> bytes:
    """Return one JSON object for each row, with the headers as keys; empty cells are null."""
    headers = [column.header for column in table.columns]
    return b"".join(msgspec.json.encode(dict(zip(headers, row, strict=True))) + b"\n" for row in table.rows)


def as_parquet(table: ReadingsTable) -> bytes:
    """Return the table as Parquet with typed columns. Raises RecordsError if pyarrow is not installed."""
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ModuleNotFoundError as error:
        raise RecordsError("Parquet support is not installed", where="format parquet",
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
        return escape_formula(cell)
    return "" if cell is None else repr(cell)


def escape_formula(text: str) -> str:
    """Return the text, escaped with an apostrophe if a spreadsheet would run it as a formula."""
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA) else text


Cell = str | float | bool | None
_READINGS: Final = RECORD_TYPES[StoredReading].table
#: Number of ids in one query: below the limit of every database.
_CHUNK: Final = 500


@dataclass(frozen=True, slots=True)
class TableColumn:
    """A column's header and the type of its cells, each of which may also be empty."""

    header: str
    type: type[str | float | bool]


@dataclass(frozen=True, slots=True)
class ReadingsTable:
    """Columns, and ``rows`` with one cell for each column; None if empty."""

    columns: tuple[TableColumn, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True)
class _Row:
    listed: ReadingRow
    account: str
    person: str | None
    values: dict[str, ValueSummary]


def readings_table(
    store: Store, query_filter: ReadingFilter, *, limit: int | None = None, names: bool = False
) -> ReadingsTable:
    """Return the matching readings in the order of `reading_query.readings`; ``names``: include names of persons."""
    listed = readings(store, query_filter, limit)
    with store.viewing() as connection:
        details = dict(_details(connection, [one.id for one in listed]))
    rows = [_Row(one, *details[one.id]) for one in listed]
    analytes = [a for a in ANALYTES.values() if any(a.id in row.values for row in rows)]
    columns = (
        *_DESCRIPTION_COLUMNS,
        *((_PERSON_COLUMN,) if names else ()),
        *(c for a in analytes for c in _analyte_columns(a)),
    )
    return ReadingsTable(columns, tuple((*_description(row), *((row.person,) if names else ()), *_values(row, analytes))
                                for row in rows))


_PERSON_COLUMN: Final = TableColumn("person", str)
_DESCRIPTION_COLUMNS: Final = (
    *(
        TableColumn(name, str)
        for name in (
            "reading",
            "sampled [UTC]",
            "read [UTC]",
            "status",
            "group",
            "site",
            "site name",
            "point",
            "point name",
            "batch",
            "verdict",
            "review",
        )
    ),
    TableColumn("corrected", bool),
    *(TableColumn(name, str) for name in ("superseded by", "flags", "photograph", "account")),
)


def _description(row: _Row) -> tuple[Cell, ...]:
    x = row.listed
    return (x.id, x.sampled, x.at, x.status, x.group, x.site, x.site_name, x.point, x.point_name, x.batch, x.verdict,
            x.reviewed, x.corrected, x.superseded_by, " ".join(x.flags), x.photograph, row.account)


def _analyte_columns(analyte: Analyte) -> tuple[TableColumn, ...]:
    unit = f"[{analyte.unit}]"
    return (TableColumn(f"{analyte.id} {unit}", float), TableColumn(f"low({analyte.id}) {unit}", float),
            TableColumn(f"high({analyte.id}) {unit}", float), TableColumn(f"status({analyte.id})", str))


def _values(row: _Row, analytes: Iterable[Analyte]) -> Iterator[Cell]:
    for analyte in analytes:
        summary = row.values.get(analyte.id)
        yield from (summary.value, summary.low, summary.high, summary.status) if summary else (None, None, None, None)


def _details(
    connection: Connection, ids: list[str]
) -> Iterator[tuple[str, tuple[str, str | None, dict[str, ValueSummary]]]]:
    """Return the account, the person's name (None if unknown) and the values of each reading, by id."""
    columns = (_READINGS.c.id, _READINGS.c.account, NAMES.c.name, _READINGS.c.value_summary)
    query = select(*columns).select_from(_READINGS.outerjoin(NAMES, NAMES.c.account == _READINGS.c.account))
    for start in range(0, len(ids), _CHUNK):
        for row in connection.execute(query.where(_READINGS.c.id.in_(ids[start:start + _CHUNK]))):
            yield (
                row.id,
                (row.account, row.name, {summary.analyte: summary for summary in decode_summary(row.value_summary)}),
            )
