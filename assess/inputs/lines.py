"""Readings as printed by `stripread read --json`: one JSON object per line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal, Protocol

import msgspec

from assess.inputs.sample import Sample
from shared.analytes import ANALYTES, capitalise, input_name
from shared.errors import FileError
from shared.estimate import Correlation, Estimate, Measurement
from shared.files import decode_json
from shared.flags import FLAGS

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
    estimates = tuple(e for pad in line.pads if (e := _estimate(pad)) is not None)
    measured = {e.analyte for e in estimates if e.two_sided}
    return Sample(name=line.photo, origin="strip", estimates=estimates, notes=tuple(_notes(line)),
                  correlations=tuple(c for c in line.correlations if measured.issuperset(c.analytes)))


def _estimate(pad: Measurement) -> Estimate | None:
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
