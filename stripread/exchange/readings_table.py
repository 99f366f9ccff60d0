"""Readings as a table for other programs: a row a reading, a column a variable, units in the header.

``hardness [mg/L CaCO3]`` with ``low(hardness) [mg/L CaCO3]`` and ``high(hardness) [mg/L CaCO3]``, its 95 % interval;
``status(hardness)`` is below or above where only a bound is known. Analytes that no row has, have no columns.
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
from stripread.store.models.evidence import StoredReading
from stripread.store.models.value_summary import ValueSummary, decode_summary
from stripread.store.reading_query import ReadingFilter, ReadingRow, readings
from stripread.store.schema import NAMES, RECORD_TYPES
from stripread.store.store import Store

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


Cell = str | float | bool | None
_READINGS: Final = RECORD_TYPES[StoredReading].table
#: Ids asked for at a time: fewer than any database's limit.
_CHUNK: Final = 500


@dataclass(frozen=True, slots=True)
class TableColumn:
    """A column's header and the type of its cells; each may also be empty."""

    header: str
    type: type[str | float | bool]


@dataclass(frozen=True, slots=True)
class ReadingsTable:
    """``rows``: a cell a column, None where empty."""

    columns: tuple[TableColumn, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True)
class _Row:
    listed: ReadingRow
    account: str
    person: str | None
    values: dict[str, ValueSummary]


def readings_table(
    store: Store, wanted: ReadingFilter, *, limit: int | None = None, names: bool = False
) -> ReadingsTable:
    """The readings wanted, as `listing.readings` lists them; ``names``: also who read them, by name."""
    listed = readings(store, wanted, limit)
    with store.viewing() as connection:
        more = dict(_more(connection, [one.id for one in listed]))
    rows = [_Row(one, *more[one.id]) for one in listed]
    analytes = [a for a in ANALYTES.values() if any(a.id in row.values for row in rows)]
    columns = (*_ABOUT, *((_PERSON,) if names else ()), *(c for a in analytes for c in _of(a)))
    return ReadingsTable(columns, tuple((*_about(row), *((row.person,) if names else ()), *_values(row, analytes))
                                for row in rows))


_PERSON: Final = TableColumn("person", str)
_ABOUT: Final = (
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


def _about(row: _Row) -> tuple[Cell, ...]:
    x = row.listed
    return (x.id, x.sampled, x.at, x.status, x.group, x.site, x.site_name, x.point, x.point_name, x.batch, x.verdict,
            x.reviewed, x.corrected, x.superseded_by, " ".join(x.flags), x.photograph, row.account)


def _of(analyte: Analyte) -> tuple[TableColumn, ...]:
    unit = f"[{analyte.unit}]"
    return (TableColumn(f"{analyte.id} {unit}", float), TableColumn(f"low({analyte.id}) {unit}", float),
            TableColumn(f"high({analyte.id}) {unit}", float), TableColumn(f"status({analyte.id})", str))


def _values(row: _Row, analytes: Iterable[Analyte]) -> Iterator[Cell]:
    for analyte in analytes:
        brief = row.values.get(analyte.id)
        yield from (brief.value, brief.low, brief.high, brief.status) if brief else (None, None, None, None)


def _more(
    connection: Connection, ids: list[str]
) -> Iterator[tuple[str, tuple[str, str | None, dict[str, ValueSummary]]]]:
    """Of each reading: who made it, that person's name where it is known, and its values."""
    columns = (_READINGS.c.id, _READINGS.c.account, NAMES.c.name, _READINGS.c.brief)
    query = select(*columns).select_from(_READINGS.outerjoin(NAMES, NAMES.c.account == _READINGS.c.account))
    for start in range(0, len(ids), _CHUNK):
        for row in connection.execute(query.where(_READINGS.c.id.in_(ids[start:start + _CHUNK]))):
            yield row.id, (row.account, row.name, {brief.analyte: brief for brief in decode_summary(row.brief)})
