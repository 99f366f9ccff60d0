"""What can be put in by tables: the first column says what the rows are, one thing a row."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final, cast, get_args

import msgspec

from assess.equipment import load_equipment
from assess.treatment.unit import TreatmentUnit, load_units
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
    """A sort of rows: the column of the id, others that must be there and that may be, and what a row makes.

    ``optional``: the record's fields by their columns; what a table has no column for stays as it is kept.
    """

    first: str
    required: tuple[str, ...]
    optional: Mapping[str, str]
    make: Callable[[CsvRow, Mapping[str, TreatmentUnit]], Record]

    def silent(self, headers: Collection[str]) -> tuple[str, ...]:
        """The fields of which a table with these columns says nothing."""
        return tuple(field for column, field in self.optional.items() if column not in headers)


def columns() -> list[str]:
    """The columns of each sort of table as a line, in the order of the work; those in parentheses may be left out."""
    return [*(", ".join((rows.first, *rows.required)) + (f" ({', '.join(rows.optional)})" if rows.optional else "")
              for rows in _ALL), f"{', '.join(REQUIRED)} ({', '.join(OPTIONAL)}), and of analytes as hardness [°dH]"]


def records_of(
    files: Iterable[Path], now: datetime, units: Mapping[str, TreatmentUnit] | None = None
) -> list[ParsedRecord]:
    """The records of tables, in an order in which each refers to earlier ones. Raises RecordsError with the cell.

    ``now``: nothing is measured later than that. ``units``: the catalogue of treatment units, if not the shipped one.
    """
    sheets = sorted((read_csv_table(file) for file in files), key=lambda sheet: _ORDER.index(_first(sheet)))
    return [found for sheet in sheets for found in _records(sheet, now, units or load_units())]


def _records(sheet: CsvTable, now: datetime, units: Mapping[str, TreatmentUnit]) -> list[ParsedRecord]:
    if sheet.headers[0] == TAKEN:
        return laboratory_results(sheet, now)
    rows = _BY_FIRST[sheet.headers[0]]
    sheet.check_columns((rows.first, *rows.required), rows.optional)
    silent = rows.silent(sheet.headers)
    found = [ParsedRecord(_made(rows, row, units), row.where(), silent) for row in sheet.rows]
    lines: dict[str, int] = {}
    for one, row in zip(found, sheet.rows, strict=True):
        if one.record.id in lines:
            raise row.refuse(rows.first, "stands twice", f"each {rows.first} once (first at line "
                             f"{lines[one.record.id]})")
        lines[one.record.id] = row.line
    return found


def _first(sheet: CsvTable) -> str:
    if sheet.headers[0] not in _ORDER:
        raise RecordsError("the first column does not say what the rows are", where=f"{sheet.file}:1",
                           found=repr(sheet.headers[0][:80]), allowed=", ".join(_ORDER))
    return sheet.headers[0]


def _made(rows: TableKind, row: CsvRow, units: Mapping[str, TreatmentUnit]) -> Record:
    """What the row makes, held to what such a record may say."""
    for column in (rows.first, *rows.required):
        row.text(column)
    try:
        record = rows.make(row, units)
        return msgspec.convert(msgspec.to_builtins(record), type(record))
    except (msgspec.ValidationError, UnicodeError) as error:
        raise RecordsError("the row cannot be kept", where=row.where(), found=validation_message(error)) from error


def _same(*names: str) -> dict[str, str]:
    """Columns called as their fields."""
    return {name: name for name in names}


def _group(row: CsvRow, _units: object) -> Record:
    return SiteGroup(id=row.text("group"), name=row.text("name"))


def _site(row: CsvRow, _units: object) -> Record:
    return Site(id=row.text("site"), name=row.text("name"), group=row.optional("group"),
                address=row.optional("address") or "", note=row.optional("note") or "", closed=row.day("closed"))


def _machine(row: CsvRow, _units: object) -> Record:
    """The profile is a template's name, or a TOML file beside the table."""
    profile = row.text("profile")
    try:
        equipment = load_equipment(row.file.parent / profile if profile.endswith(".toml") else profile)
    except (InputError, ValueError) as error:
        raise RecordsError("the profile cannot be used", where=row.where("profile"), found=str(error)) from error
    return Machine(id=row.text("machine"), site=row.text("site"), equipment=equipment, removed=row.day("removed"))


def _unit(row: CsvRow, units: Mapping[str, TreatmentUnit]) -> Record:
    catalogue = row.text("catalogue")
    if catalogue not in units:
        raise row.refuse("catalogue", "no such treatment unit", ", ".join(units))
    return Unit(id=row.text("treatment unit"), site=row.text("site"), catalogue=catalogue, unit=units[catalogue],
                machine=row.optional("machine"))


def _point(row: CsvRow, _units: object) -> Record:
    place = row.text("place")
    if place not in get_args(Place):
        raise row.refuse("place", "no such place", ", ".join(get_args(Place)))
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


_ALL: Final = (
    TableKind("group", ("name",), {}, _group),
    TableKind("site", ("name",), _same("group", "address", "note", "closed"), _site),
    TableKind("machine", ("site", "profile"), _same("removed"), _machine),
    TableKind("treatment unit", ("site", "catalogue"), _same("machine"), _unit),
    TableKind("sampling point", ("site", "place", "name"),
         _same("machine") | {"treatment unit": "unit", "every [days]": "every_days"} | _same("closed"), _point),
    TableKind("batch", ("strip",), _same("expires") | {"keeps open [days]": "keeps_days"} | _same("note"), _batch),
    TableKind("tube", ("batch",), _same("opened", "finished"), _tube),
    TableKind("card", ("print run",), {"first used": "first_used"} | _same("retired"), _card),
    TableKind("phone", ("model",), _same("account", "retired"), _phone),
)
_BY_FIRST: Final = {rows.first: rows for rows in _ALL}
_ORDER: Final = (*_BY_FIRST, TAKEN)
