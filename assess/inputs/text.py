"""Samples from text: values as people type them, and readings as printed by `stripread read --json`, one a line."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal, Protocol

import msgspec

from assess.inputs.sample import CALCIUM_FRACTION, Origin, Sample
from shared.analytes import ANALYTES, capitalise, input_name
from shared.errors import FileError, QuantityError
from shared.estimate import Z95, Correlation, Estimate, Measurement, Part
from shared.files import decode_json
from shared.flags import FLAGS
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
    return _typed_estimate(analyte, value, half), stated is not None


def _of_range(ends: re.Match[str], analyte: str, where: str) -> Estimate:
    """A range of a season or a report: its middle, with the range as the 95 % interval."""
    low, high = (read_quantity(f"{ends[end]} {ends['unit']}".strip(), analyte, where=where) for end in ("low", "high"))
    if low >= high:
        raise QuantityError("is a range from high to low", where=where, found=ends[0].strip(),
                            allowed='the lower end first, as "70 to 140 mg/L CaCO3"')
    return _typed_estimate(analyte, (low + high) / 2, (high - low) / 2)


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


def _typed_estimate(analyte: str, value: float, half: float) -> Estimate:
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


#: A value with this flag is not assessed: the pad is outside its validated range.
_INVALID = "outside-validity"


class MeasuredSample(Protocol):
    """Results for one sample, from a photograph or from several; ``reason``: why there is no result."""

    @property
    def photo(self) -> str:
        """Name of the photograph."""

    @property
    def status(self) -> Literal["measured", "no-result"]:
        """Whether there is any value."""

    @property
    def reason(self) -> str:
        """Why there is none."""

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of all values."""

    @property
    def correlations(self) -> tuple[Correlation, ...]:
        """Of the errors of pairs of values."""

    @property
    def pads(self) -> Sequence[Measurement]:
        """A result for each analyte."""


class _Pad(Measurement, frozen=True, kw_only=True):
    """A measurement from a file, checked."""

    def __post_init__(self) -> None:
        known = ANALYTES.get(self.analyte)
        if known is None or self.value is None or self.low is None or self.high is None:
            return
        if self.unit != known.unit:
            raise ValueError(f"{known.name} must be in {known.unit!r}, found {self.unit!r}")
        if not known.lower <= self.low <= self.value <= self.high <= known.upper:
            raise ValueError(f"an impossible {known.name}: {self.value:g} ({self.low:g} to {self.high:g}); allowed: a "
                             f"value within its interval, the interval within {known.lower:g} to {known.upper:g}")


class _Line(msgspec.Struct, frozen=True, kw_only=True):
    photo: str
    status: Literal["measured", "no-result"]
    reason: str = ""
    flags: tuple[str, ...] = ()
    pads: tuple[_Pad, ...] = ()
    correlations: tuple[Correlation, ...] = ()


class NoResult(msgspec.Struct, frozen=True, kw_only=True):
    """A photograph that gave no reading, and why."""

    name: str
    reason: str


def samples_from_lines(text: str, where: str) -> Iterator[Sample | NoResult]:
    """Yield the sample of each line, or the reason why its photograph has no result. Raises FileError."""
    lines = [(i, line) for i, line in enumerate(text.splitlines(), start=1) if line.strip()]
    if not lines:
        raise FileError("contains no readings", where=where, allowed="lines of `stripread read --json`")
    for number, line in lines:
        yield to_sample(decode_json(line.encode(), _Line, where=f"{where}, line {number}"))


def to_sample(line: MeasuredSample) -> Sample | NoResult:
    """Return the sample with the values to be assessed, or the reason why there are none."""
    if line.status == "no-result":
        return NoResult(name=line.photo, reason=line.reason)
    estimates = tuple(e for pad in line.pads if (e := _line_estimate(pad)) is not None)
    measured = {e.analyte for e in estimates if e.two_sided}
    return Sample(name=line.photo, origin="strip", estimates=estimates, notes=tuple(_notes(line)),
                  correlations=tuple(c for c in line.correlations if measured.issuperset(c.analytes)))


def _line_estimate(pad: Measurement) -> Estimate | None:
    return None if pad.analyte not in ANALYTES or _INVALID in pad.flags else pad.estimate()


def _notes(line: MeasuredSample) -> Iterator[str]:
    """Flags and reasons of the reading in words."""
    yield from (FLAGS[f].words for f in line.flags if f in FLAGS)
    for pad in line.pads:
        if pad.status == "no-result":
            yield f"No value of {input_name(pad.analyte)}: {pad.reason}"
        if pad.note:
            yield pad.note
        yield from (f"{capitalise(input_name(pad.analyte))}: {FLAGS[f].words}" for f in pad.flags if f in FLAGS)
