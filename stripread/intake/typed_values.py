"""Values that a person measured with a meter or by titration and typed in: stored and assessed like a laboratory's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Final, Literal, get_args

from assess.inputs.text import default_half_width
from shared.analytes import ANALYTES
from shared.errors import InputError
from shared.estimate import Z95
from shared.notation import PLAIN, Notation
from stripread.intake.reassess import assess_results
from stripread.store.models.evidence import LabResult
from stripread.store.models.record import new_id
from stripread.store.store import Store

Method = Literal["titration", "meter", "photometer"]
METHODS: Final[tuple[Method, ...]] = get_args(Method)
#: What is measured in the field in addition to strips.
TYPED: Final = ("hardness", "alkalinity", "ph", "chloride", "chlorine")
#: What a method usually measures (common practice, no source); others are possible.
USUAL: Final[Mapping[Method, tuple[str, ...]]] = {
    "titration": ("hardness", "alkalinity", "chloride"), "meter": ("ph",), "photometer": TYPED}


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedValues:
    """Values as typed, by analyte; empty ones were not measured. ``notation``: unit and decimal sign of the person.

    ``uncertainties``: expanded (95 %), in the unit of the value; empty: not stated.
    """

    point: str
    method: Method
    values: Mapping[str, str]
    uncertainties: Mapping[str, str] = field(default_factory=dict)
    notation: Notation = PLAIN


@dataclass(frozen=True, slots=True)
class TypedValue:
    """A value with its standard uncertainty, in the unit of the analyte; ``u`` None: not stated."""

    value: float
    u: float | None

    def half_width(self, analyte: str) -> float:
        """Return half of the 95 % interval: as stated, or as assumed for measurements in the field."""
        return default_half_width(analyte, self.value, laboratory=False) if self.u is None else Z95 * self.u


def parse_typed_values(typed: TypedValues) -> dict[str, TypedValue]:
    """Return the values that were typed, by analyte, in the units of the analytes.

    Raises InputError for what is not a possible value or uncertainty, and where no value was typed.
    """
    for analyte in TYPED:
        if typed.uncertainties.get(analyte, "").strip() and not typed.values.get(analyte, "").strip():
            raise InputError("an uncertainty was entered without a value", where=ANALYTES[analyte].name,
                             found=ascii(typed.uncertainties[analyte])[:40], allowed="a value with its uncertainty")
    values = {analyte: TypedValue(_value(analyte, text, typed.notation), _u(analyte, typed)) for analyte in TYPED
              if (text := typed.values.get(analyte, "").strip())}
    if not values:
        raise InputError("no value was entered", where="values", allowed=", ".join(ANALYTES[a].name for a in TYPED))
    return values


def store_typed_values(store: Store, by: str, typed: TypedValues) -> list[LabResult]:
    """Store the values that were typed, all or none, and assess them. Raises InputError like `parse_typed_values`."""
    values = parse_typed_values(typed)
    with store.writing(by) as transaction:
        results = [LabResult(id=new_id(), point=typed.point, taken=transaction.now, analyte=analyte, value=v.value,
                             u=v.u, unit=ANALYTES[analyte].unit, method=typed.method, laboratory="own measurement",
                             origin="typed")
                   for analyte, v in values.items()]
        for result in results:
            transaction.put(result, "measured value typed")
    assess_results(store, by, results)
    return results


def _value(analyte: str, text: str, notation: Notation) -> float:
    known, value = ANALYTES[analyte], _number(analyte, text, notation)
    if not isfinite(value) or not known.lower <= value <= known.upper:
        low, high = (notation.express(v, known.unit) for v in (known.lower, known.upper))
        raise InputError("not a possible value", where=known.name, found=ascii(text)[:40],
                         allowed=f"a number from {low:g} to {high:g} {notation.unit_for(known.unit)}".strip())
    return value


def _u(analyte: str, typed: TypedValues) -> float | None:
    """Return the standard uncertainty of a value; None where none was stated."""
    text = typed.uncertainties.get(analyte, "").strip()
    if not text:
        return None
    half, known = _number(analyte, text, typed.notation), ANALYTES[analyte]
    if not 0.0 < half <= known.upper - known.lower:
        high = typed.notation.express(known.upper - known.lower, known.unit)
        raise InputError("not a possible uncertainty", where=known.name, found=ascii(text)[:40],
                         allowed=f"a number above 0, at most {high:g} {typed.notation.unit_for(known.unit)}".strip())
    return half / Z95


def _number(analyte: str, text: str, notation: Notation) -> float:
    """Return a typed number in the unit of the analyte, NaN for other text."""
    try:
        return float(text.replace(",", ".")) / notation.express(1.0, ANALYTES[analyte].unit)
    except ValueError:
        return float("nan")
