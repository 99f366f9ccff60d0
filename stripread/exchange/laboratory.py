"""Laboratory results from a table: one row for each sample, units in the header.

``hardness [mmol/L]`` and, optionally, ``u(hardness) [mmol/L]``: ``u`` is the standard uncertainty.
"<5" and ">400": the laboratory reports a limit only. An empty cell: not measured.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Final, Literal, get_args

import msgspec

from shared.analytes import ANALYTES
from shared.decoders import converted
from shared.errors import InputError
from shared.quantities import read_quantity, registry_unit, shown_units
from stripread.exchange.csv_reader import CsvRow, CsvTable
from stripread.exchange.import_records import ParsedRecord
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import LabResult, Origin
from stripread.store.models.record import validation_message

FIRST: Final = "taken"
#: Columns other than those of analytes.
REQUIRED, OPTIONAL = (FIRST, "sampling point"), ("laboratory", "method", "report", "origin")
#: Origins of results; a supplier's values are yearly averages.
ORIGINS: Final[tuple[Origin, ...]] = get_args(Origin)
_HEADER: Final = re.compile(r"(?P<u>u\()?(?P<analyte>[A-Za-z]+)(?(u)\))\s*(?:\[(?P<unit>[^\]]*)\])?")
_STATUS: Final[dict[str, Literal["below", "above"]]] = {"<": "below", ">": "above"}


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of values with its unit; ``u``: header of their uncertainties, if there is such a column."""

    header: str
    analyte: str
    unit: str
    u: str | None


def laboratory_results(table: CsvTable, now: datetime) -> list[ParsedRecord]:
    """Return one record for each value.

    The id is a hash of point, time, analyte and report, so that importing a table again creates no duplicates.
    """
    columns = _columns(table)
    results = [one for row in table.rows for one in _results_of_row(row, columns, now)]
    seen: set[str] = set()
    for one in results:
        if one.record.id in seen:
            raise RecordsError("the sample is listed twice", where=one.where,
                               remedy="give each sample its own report number or sampling time")
        seen.add(one.record.id)
    return results


def _columns(table: CsvTable) -> list[_Column]:
    headers = {name: m for name in table.headers if (m := _HEADER.fullmatch(name))}
    values = {name: (m["analyte"].lower(), m["unit"] or "", bool(m["u"])) for name, m in headers.items()
              if m["analyte"].lower() in ANALYTES}
    table.check_columns(REQUIRED, (*OPTIONAL, *values, *(f"{a.id} [{a.unit}]" for a in ANALYTES.values())))
    u_columns = {analyte: (name, unit) for name, (analyte, unit, u) in values.items() if u}
    plain = [(name, analyte, unit) for name, (analyte, unit, u) in values.items() if not u]
    analytes = [analyte for _, analyte, _ in plain]
    for analyte in {*analytes, *u_columns}:
        unit = next((unit for _, named, unit in plain if named == analyte), None)
        if analytes.count(analyte) != 1 or u_columns.get(analyte, ("", unit))[1] != unit:
            raise RecordsError("the columns of an analyte do not match", where=f"{table.file}:1", found=analyte,
                               allowed="one column of values, and optionally one of u(...) in the same unit")
        _check_unit(analyte, unit or "", f"{table.file}:1, column {analyte}")
    return [_Column(name, analyte, unit, u_columns.get(analyte, (None,))[0]) for name, analyte, unit in plain]


def _check_unit(analyte: str, unit: str, where: str) -> None:
    known = ANALYTES[analyte]
    if registry_unit(unit, known) is None:
        raise RecordsError("the unit does not fit the analyte or is ambiguous", where=where, found=repr(unit[:80]),
                           allowed=", ".join(shown_units(known)))


def _results_of_row(row: CsvRow, columns: list[_Column], now: datetime) -> Iterator[ParsedRecord]:
    taken, point = row.past(FIRST, now), row.text("sampling point")
    details = {name: row.optional(name) or "" for name in OPTIONAL if name != "origin"}
    origin = row.optional("origin") or ORIGINS[0]
    if origin not in ORIGINS:
        raise row.cell_error("origin", "no such origin of a result", ", ".join(ORIGINS))
    for column in columns:
        text = row.cells[column.header]
        status: Literal["measured", "below", "above"] = _STATUS.get(text[:1]) or "measured"
        if text:
            value = _number(row, column.header, text if status == "measured" else text[1:], column)
            identity = "\n".join((point, taken.isoformat(), column.analyte, details["report"]))
            yield ParsedRecord(_validated(row, LabResult(
                id=f"lab-{sha256(identity.encode()).hexdigest()[:24]}", point=point, taken=taken,
                analyte=column.analyte, value=value, unit=ANALYTES[column.analyte].unit,
                u=_standard_uncertainty(row, column), status=status, origin=origin,
                method=details["method"], laboratory=details["laboratory"], report=details["report"])),
                row.where(column.header))


def _number(row: CsvRow, header: str, text: str, column: _Column) -> float:
    """Return the number in the analyte's unit."""
    try:
        return read_quantity(f"{text} {column.unit}", column.analyte, where=row.where(header))
    except InputError as error:
        raise RecordsError(error.what, where=row.where(header), found=repr(row.cells[header][:80]),
                           allowed=error.allowed) from error


def _standard_uncertainty(row: CsvRow, column: _Column) -> float | None:
    """Return the standard uncertainty in the analyte's unit, or None.

    Only °C is accepted for a temperature: other scales have another zero, which a difference must not include.
    """
    if column.u is None or not row.cells[column.u]:
        return None
    if column.analyte == "temperature" and registry_unit(column.unit, ANALYTES["temperature"]) != "degC":
        raise row.cell_error(column.u, "an uncertainty cannot be given in this unit", "temperature [°C]")
    return _number(row, column.u, row.cells[column.u], column)


def _validated(row: CsvRow, result: LabResult) -> LabResult:
    try:
        return converted(msgspec.to_builtins(result), LabResult)
    except (msgspec.ValidationError, UnicodeError) as error:
        raise RecordsError("the row is invalid", where=row.where(), found=validation_message(error)) from error
