"""Values that a person measured with a meter or by titration and typed in: stored and assessed like a laboratory's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Final, Literal, get_args

from shared.analytes import ANALYTES
from shared.errors import InputError
from shared.notation import PLAIN, Notation
from stripread.intake.sample_assessment import assess_results
from stripread.store.models.evidence import LabResult
from stripread.store.models.record import new_id
from stripread.store.store import Store

Method = Literal["titration", "meter", "photometer"]
METHODS: Final[tuple[Method, ...]] = get_args(Method)
#: What is measured in the field in addition to strips.
TYPED: Final = ("hardness", "alkalinity", "ph", "chloride", "chlorine")


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedValues:
    """Values as typed, by analyte; empty ones were not measured. ``notation``: unit and decimal sign of the person."""

    point: str
    method: Method
    values: Mapping[str, str]
    notation: Notation = PLAIN


def parse_typed_values(typed: TypedValues) -> dict[str, float]:
    """Return the values that were typed, by analyte, in the units of the analytes.

    Raises InputError for what is not a possible value, and where no value was typed.
    """
    found = {analyte: _value(analyte, text, typed.notation) for analyte in TYPED
             if (text := typed.values.get(analyte, "").strip())}
    if not found:
        raise InputError("no value was entered", where="values", allowed=", ".join(ANALYTES[a].name for a in TYPED))
    return found


def store_typed_values(store: Store, by: str, typed: TypedValues) -> list[LabResult]:
    """Store the values that were typed, all or none, and assess them. Raises InputError like `parse_typed_values`."""
    found = parse_typed_values(typed)
    with store.writing(by) as transaction:
        results = [LabResult(id=new_id(), point=typed.point, taken=transaction.now, analyte=analyte, value=value,
                             unit=ANALYTES[analyte].unit, method=typed.method, laboratory="own measurement",
                             origin="typed")
                   for analyte, value in found.items()]
        for result in results:
            transaction.put(result, "measured value typed")
    assess_results(store, by, results)
    return results


def _value(analyte: str, text: str, notation: Notation) -> float:
    known = ANALYTES[analyte]
    try:
        value = float(text.replace(",", ".")) / notation.express(1.0, known.unit)
    except ValueError:
        value = float("nan")
    if not isfinite(value) or not known.lower <= value <= known.upper:
        low, high = (notation.express(v, known.unit) for v in (known.lower, known.upper))
        raise InputError("not a possible value", where=known.name, found=ascii(text)[:40],
                         allowed=f"a number from {low:g} to {high:g} {notation.unit_for(known.unit)}".strip())
    return value
