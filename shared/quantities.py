"""Numbers with units as people write them, to floats in the analyte's own unit, and back.

pint and the registry are imported only when a unit other than the analyte's own must be read.
"""

from __future__ import annotations

import re
from math import isfinite

from shared.analytes import ANALYTES, Analyte
from shared.errors import QuantityError
from shared.spelling import plain, registry_unit, shown_units

_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([^\d\s].*)?")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


def read_quantity(text: str, analyte_id: str, *, where: str = "value") -> float:
    """A number with its unit, as "60 mg/L CaCO3" or "3,4 °dH", in the analyte's own unit."""
    analyte = _analyte(analyte_id, where)
    written = plain(text)
    parts = _NUMBER.fullmatch(written.removeprefix("pH").strip() if analyte_id == "ph" else written)
    if parts is None:
        raise _refused(analyte, "is not a number with a unit", found=text, where=where)
    number, unit = parts[1], parts[2] or ""
    if _THOUSANDS.fullmatch(number):
        raise _refused(analyte, "can mean a decimal comma or thousands", found=text, where=where)
    return convert(float(number.replace(",", ".")), analyte_id, unit=unit, where=where)


def convert(value: float, analyte_id: str, *, unit: str, where: str = "value") -> float:
    """A number given in ``unit``, in the analyte's own unit, checked against its limits."""
    analyte = _analyte(analyte_id, where)
    own = _between(value, analyte, given=unit, wanted=analyte.unit, where=where)
    if not (isfinite(own) and analyte.lower <= own <= analyte.upper):
        raise QuantityError(f"this {analyte.name} is impossible", where=where,
                            found=f"{value:g} {unit}".strip(),
                            allowed=f"{analyte.lower:g} to {analyte.upper:g} {analyte.unit}",
                            remedy="check the number and its unit")
    return own


def express(value: float, analyte_id: str, *, unit: str, where: str = "unit") -> float:
    """A value in the analyte's own unit, given in ``unit``: the inverse of `convert`, without its limits."""
    analyte = _analyte(analyte_id, where)
    return _between(value, analyte, given=analyte.unit, wanted=unit, where=where)


def _between(value: float, analyte: Analyte, *, given: str, wanted: str, where: str) -> float:
    if given == wanted:
        return value
    ends = [_registry_unit(unit, analyte, where=where) for unit in (given, wanted)]
    if ends[0] == ends[1]:
        return value
    from shared.units import convert_units

    return convert_units(value, analyte.id, given=ends[0], wanted=ends[1])


def _registry_unit(unit: str, analyte: Analyte, *, where: str) -> str:
    found = registry_unit(unit, analyte)
    if found is None:
        problem = "has a unit that does not fit it, or leaves open what was weighed" if unit else "has no unit"
        raise _refused(analyte, problem, found=unit or "a bare number", where=where)
    return found


def _analyte(analyte_id: str, where: str) -> Analyte:
    if analyte_id not in ANALYTES:
        raise QuantityError("no such analyte", where=where, found=repr(analyte_id),
                            allowed=", ".join(ANALYTES))
    return ANALYTES[analyte_id]


def _refused(analyte: Analyte, what: str, *, found: str, where: str) -> QuantityError:
    example = "7.2" if analyte.id == "ph" else f"20 {analyte.unit}"
    return QuantityError(f"the value of {analyte.name} {what}", where=where, found=found or "nothing",
                         allowed="a number and one of " + ", ".join(shown_units(analyte)),
                         remedy=f'write it like "{example}"')
