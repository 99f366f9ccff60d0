"""Import of CSV tables: the first column identifies the record type; each row is one record."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final, cast, get_args

import msgspec

from assess.equipment import load_equipment
from assess.treatment.unit import TreatmentUnit, load_units
from shared.decoders import converted
from shared.errors import InputError
from stripread.exchange.csv_reader import CsvRow, CsvTable, read_csv_table
from stripread.exchange.import_records import ParsedRecord
from stripread.exchange.laboratory import FIRST as TAKEN
from stripread.exchange.laboratory import OPTIONAL, REQUIRED, laboratory_results
from stripread.store.errors import RecordsError
from stripread.store.models.materials import Batch, Card, Phone, Tube
from stripread.store.models.record import Record, validation_message
from stripread.store.models.sites import Machine, Place, SamplingPoint, Site, SiteGroup, Unit


@dataclass(frozen=True, slots=True)
class TableKind:
    """One type of table: its id column, further required columns, optional columns, and the record a row makes.

    ``optional``: record fields by column; ``unlisted`` never have one. Without a column a field keeps its value.
    """

    first: str
    required: tuple[str, ...]
    optional: Mapping[str, str]
    make: Callable[[CsvRow, Mapping[str, TreatmentUnit]], Record]
    unlisted: tuple[str, ...] = ()

    def absent(self, headers: Collection[str]) -> tuple[str, ...]:
        """Return the record fields for which a table with these columns has no column."""
        return (*self.unlisted, *(field for column, field in self.optional.items() if column not in headers))


def columns() -> list[str]:
    """Return one line per type of table with its columns, in import order; optional columns in parentheses."""
    return [*(", ".join((rows.first, *rows.required)) + (f" ({', '.join(rows.optional)})" if rows.optional else "")
              for rows in _TABLE_KINDS),
            f"{', '.join(REQUIRED)} ({', '.join(OPTIONAL)}), and analytes with their units, as hardness [°dH]"]


def records_of(
    files: Iterable[Path], now: datetime, units: Mapping[str, TreatmentUnit] | None = None
) -> list[ParsedRecord]:
    """Return the records of tables, ordered so that each refers to earlier ones only.

    ``now``: samples taken later are rejected. ``units``: the catalogue of treatment units [default: the shipped one].
    Raises RecordsError that names the invalid cell.
    """
    tables = sorted(
        (read_csv_table(file) for file in files), key=lambda table: _ORDER.index(_checked_first_column(table))
    )
    return [record for table in tables for record in _records(table, now, units or load_units())]


def _records(table: CsvTable, now: datetime, units: Mapping[str, TreatmentUnit]) -> list[ParsedRecord]:
    if table.headers[0] == TAKEN:
        return laboratory_results(table, now)
    rows = _BY_FIRST[table.headers[0]]
    table.check_columns((rows.first, *rows.required), rows.optional)
    absent = rows.absent(table.headers)
    records = [ParsedRecord(_make_record(rows, row, units), row.where(), absent) for row in table.rows]
    lines: dict[str, int] = {}
    for one, row in zip(records, table.rows, strict=True):
        if one.record.id in lines:
            raise row.cell_error(rows.first, "is listed twice", f"one row for each {rows.first} (first at line "
                             f"{lines[one.record.id]})")
        lines[one.record.id] = row.line
    return records


def _checked_first_column(table: CsvTable) -> str:
    if table.headers[0] not in _ORDER:
        raise RecordsError("the first column does not identify the type of table", where=f"{table.file}:1",
                           found=repr(table.headers[0][:80]), allowed=", ".join(_ORDER))
    return table.headers[0]


def _make_record(rows: TableKind, row: CsvRow, units: Mapping[str, TreatmentUnit]) -> Record:
    """Return the record of a row, validated against its type."""
    for column in (rows.first, *rows.required):
        row.text(column)
    try:
        record = rows.make(row, units)
        return converted(msgspec.to_builtins(record), type(record))
    except (msgspec.ValidationError, UnicodeError) as error:
        raise RecordsError("the row is invalid", where=row.where(), found=validation_message(error)) from error


def _as_fields(*names: str) -> dict[str, str]:
    """Return columns that have the names of their fields."""
    return {name: name for name in names}


def _group(row: CsvRow, _units: object) -> Record:
    return SiteGroup(id=row.text("group"), name=row.text("name"))


def _site(row: CsvRow, _units: object) -> Record:
    return Site(id=row.text("site"), name=row.text("name"), group=row.optional("group"),
                address=row.optional("address") or "", note=row.optional("note") or "", closed=row.day("closed"),
                latitude=_degrees(row, "latitude", 90.0), longitude=_degrees(row, "longitude", 180.0),
                zone=row.optional("zone") or "")


def _degrees(row: CsvRow, column: str, most: float) -> float | None:
    """Return an angle in degrees, or None if the cell is empty."""
    text = row.optional(column)
    try:
        degrees = None if text is None else float(text)
    except ValueError:
        degrees = math.nan
    if degrees is not None and not -most <= degrees <= most:
        raise row.cell_error(column, "is not an angle in degrees", f"-{most:g} to {most:g}, north and east positive")
    return degrees


def _machine(row: CsvRow, _units: object) -> Record:
    """The profile is the name of a template, or of a TOML file in the folder of the table."""
    profile = row.text("profile")
    try:
        equipment = load_equipment(row.file.parent / profile if profile.endswith(".toml") else profile)
    except (InputError, ValueError) as error:
        raise RecordsError("the profile cannot be used", where=row.where("profile"), found=str(error)) from error
    return Machine(id=row.text("machine"), site=row.text("site"), equipment=equipment, removed=row.day("removed"))


def _unit(row: CsvRow, units: Mapping[str, TreatmentUnit]) -> Record:
    catalogue = row.text("catalogue")
    if catalogue not in units:
        raise row.cell_error("catalogue", "no such treatment unit", ", ".join(units))
    return Unit(id=row.text("treatment unit"), site=row.text("site"), catalogue=catalogue, unit=units[catalogue],
                machine=row.optional("machine"))


def _point(row: CsvRow, _units: object) -> Record:
    place = row.text("place")
    if place not in get_args(Place):
        raise row.cell_error("place", "no such place", ", ".join(get_args(Place)))
    if place == "mains" and row.optional("treatment unit"):
        raise row.cell_error("treatment unit", "names a unit for a point of the mains, which is upstream of every unit",
                             'an empty cell, or the place "after treatment"')
    return SamplingPoint(
        id=row.text("sampling point"), site=row.text("site"), place=cast("Place", place), name=row.text("name"),
        machine=row.optional("machine"), unit=row.optional("treatment unit"),
        every_days=row.whole_number("every [days]"), closed=row.day("closed"))


def _batch(row: CsvRow, _units: object) -> Record:
    return Batch(id=row.text("batch"), strip=row.text("strip"), expires=row.day("expires"),
                 keeps_days=row.whole_number("keeps open [days]"), note=row.optional("note") or "")


def _tube(row: CsvRow, _units: object) -> Record:
    return Tube(id=row.text("tube"), batch=row.text("batch"), opened=row.day("opened"), finished=row.day("finished"))


def _card(row: CsvRow, _units: object) -> Record:
    run: Any = row.whole_number("print run")
    return Card(id=row.text("card"), run=run, first_used=row.day("first used"), retired=row.day("retired"))


def _phone(row: CsvRow, _units: object) -> Record:
    return Phone(id=row.text("phone"), model=row.text("model"), account=row.optional("account"),
                 retired=row.day("retired"))


_TABLE_KINDS: Final = (
    TableKind("group", ("name",), {}, _group),
    TableKind("site", ("name",), _as_fields("group", "address", "note", "closed", "latitude", "longitude", "zone"),
              _site),
    TableKind("machine", ("site", "profile"), _as_fields("removed"), _machine),
    TableKind("treatment unit", ("site", "catalogue"), _as_fields("machine"), _unit),
    TableKind(
        "sampling point",
        ("site", "place", "name"),
        _as_fields("machine") | {"treatment unit": "unit", "every [days]": "every_days"} | _as_fields("closed"),
        _point,
        unlisted=("limits",),
    ),
    TableKind(
        "batch", ("strip",), _as_fields("expires") | {"keeps open [days]": "keeps_days"} | _as_fields("note"), _batch
    ),
    TableKind("tube", ("batch",), _as_fields("opened", "finished"), _tube),
    TableKind("card", ("print run",), {"first used": "first_used"} | _as_fields("retired"), _card),
    TableKind("phone", ("model",), _as_fields("account", "retired"), _phone),
)
_BY_FIRST: Final = {rows.first: rows for rows in _TABLE_KINDS}
_ORDER: Final = (*_BY_FIRST, TAKEN)
