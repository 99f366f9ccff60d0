"""Typed values: "60 mg/L CaCO3", "3,4 °dH ± 0.5", "7.2", with default uncertainties where none is stated."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from assess.inputs.sample import CALCIUM_FRACTION, Origin, Sample
from shared.analytes import ANALYTES, input_name
from shared.errors import QuantityError
from shared.estimate import Z95, Estimate, Part
from shared.notation import significant
from shared.quantities import read_quantity

_UNCERTAINTY = re.compile(r"\s*(?:±|\+/-|\+-)\s*(?P<half>\d+(?:[.,]\d*)?|[.,]\d+)\s*(?P<percent>%)?\s*")
_RANGE = re.compile(r"\s*(?:pH\s*)?(?P<low>\d+(?:[.,]\d+)?)\s*(?:to|–|\.\.)\s*"
                    r"(?P<high>\d+(?:[.,]\d+)?)\s*(?P<unit>.*?)\s*")
_NUMBER = re.compile(r"\s*(?P<number>[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))")


@dataclass(frozen=True, slots=True)
class DefaultUncertainty:
    """Half of the 95 % interval of a value given without one: the larger of a share and a floor."""

    share: float
    floor: float

    def half_width(self, value: float) -> float:
        """Return the half-width in the value's unit."""
        return max(self.share * value, self.floor)


#: Drop kits and strips; a drop of a 1 °dH kit is 18 mg/L CaCO3. Common practice, no source.
_FIELD: Final = {
    "hardness": DefaultUncertainty(0.15, 9.0),
    "alkalinity": DefaultUncertainty(0.15, 9.0),
    "ph": DefaultUncertainty(0.0, 0.3),
    "chloride": DefaultUncertainty(0.15, 10.0),
    "chlorine": DefaultUncertainty(0.2, 0.1),
    "temperature": DefaultUncertainty(0.0, 1.0),
}
#: A laboratory's analysis. Common practice, no source.
_LABORATORY: Final = {
    "hardness": DefaultUncertainty(0.05, 2.0),
    "alkalinity": DefaultUncertainty(0.05, 2.0),
    "ph": DefaultUncertainty(0.0, 0.1),
    "chloride": DefaultUncertainty(0.05, 1.0),
    "chlorine": DefaultUncertainty(0.1, 0.03),
    "temperature": DefaultUncertainty(0.0, 0.5),
}
_FIELD_OTHER: Final = DefaultUncertainty(0.10, 1.0)
_LABORATORY_OTHER: Final = DefaultUncertainty(0.05, 0.5)


def sample_from_typed(texts: Mapping[str, str], *, name: str = "typed values", laboratory: bool = False,
                      calcium_fraction: str | None = None) -> Sample:
    """Return a sample from texts by analyte id. Raises QuantityError with the name of the option."""
    origin: Origin = "laboratory" if laboratory else "typed"
    read = [typed_estimate(text, analyte, laboratory=laboratory) for analyte, text in texts.items()]
    notes = tuple(_default_note(e) for e, stated in read if not stated)
    fraction = None if calcium_fraction is None else _fraction(calcium_fraction)
    return Sample(name=name, origin=origin, estimates=tuple(e for e, _ in read), notes=notes,
                  calcium_fraction=fraction)


def typed_estimate(text: str, analyte: str, *, laboratory: bool = False) -> tuple[Estimate, bool]:
    """Return a typed value with its 95 % interval, and whether the text stated it ("60 ± 5 mg/L CaCO3")."""
    where = f"--{analyte}"
    ends = _RANGE.fullmatch(text)
    if ends is not None:
        return _of_range(ends, analyte, where), True
    stated = _UNCERTAINTY.search(text)
    plain = text if stated is None else f"{text[: stated.start()]} {text[stated.end():]}".strip()
    value = read_quantity(plain, analyte, where=where)
    if stated is None:
        half = default_half_width(analyte, value, laboratory=laboratory)
    elif stated["percent"]:
        half = value * float(stated["half"].replace(",", ".")) / 100
    else:
        half = abs(read_quantity(_raised(plain, stated["half"], where), analyte, where=where) - value)
    return _estimate(analyte, value, half), stated is not None


def _of_range(ends: re.Match[str], analyte: str, where: str) -> Estimate:
    """A range of a season or a report: its middle, with the range as the 95 % interval."""
    low, high = (read_quantity(f"{ends[end]} {ends['unit']}".strip(), analyte, where=where) for end in ("low", "high"))
    if low >= high:
        raise QuantityError("is a range from high to low", where=where, found=ends[0].strip(),
                            allowed='the lower end first, as "70 to 140 mg/L CaCO3"')
    return _estimate(analyte, (low + high) / 2, (high - low) / 2)


def default_half_width(analyte: str, value: float, *, laboratory: bool) -> float:
    """Return half of the 95 % interval that is assumed for a value without a stated uncertainty."""
    table, other = (_LABORATORY, _LABORATORY_OTHER) if laboratory else (_FIELD, _FIELD_OTHER)
    return table.get(analyte, other).half_width(value)


def _raised(text: str, by: str, where: str) -> str:
    """The same text with its number increased: the uncertainty is in the unit of the number."""
    match = _NUMBER.match(text.removeprefix("pH"))
    if match is None:
        raise QuantityError("has no number before the ±", where=where, found=text)
    number = float(match["number"].replace(",", ".")) + float(by.replace(",", "."))
    return f"{number!r}{text.removeprefix('pH')[match.end():]}"


def _estimate(analyte: str, value: float, half: float) -> Estimate:
    limits = ANALYTES[analyte]
    part = Part(name="as typed", u=half / Z95, shared=True)
    return Estimate(analyte=analyte, value=value, low=max(limits.lower, value - half),
                    high=min(limits.upper, value + half), unit=limits.unit, budget=(part,))


def _default_note(e: Estimate) -> str:
    half = max(e.high - e.value, e.value - e.low)
    unit = "" if e.unit == "pH" else f" {e.unit}"
    return (f"No uncertainty was stated for {input_name(e.analyte)}: ± {significant(half, 2)}{unit} is assumed "
            "(common practice, no source).")


def _fraction(text: str) -> Estimate:
    try:
        value = float(text.strip().removesuffix("%").replace(",", ".")) / (100 if "%" in text else 1)
    except ValueError:
        value = -1.0
    if not 0 <= value <= 1:
        raise QuantityError("is not a fraction of the hardness", where="--calcium-fraction", found=text,
                            allowed='0 to 1, or a percentage like "75 %"')
    return Estimate(analyte=CALCIUM_FRACTION, value=value, low=max(0.0, value - 0.05), high=min(1.0, value + 0.05),
                    unit="of the hardness", budget=(Part(name="as typed", u=0.05 / Z95, shared=True),))
