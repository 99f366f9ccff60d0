"""A type of dip strip as data: its pads, where they sit, their units and ranges, when it may be read.

Distances are millimetres along the strip from its tip; the default strip ships as ``data/strip.json``.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from itertools import pairwise
from math import hypot
from pathlib import Path
from typing import Literal

import msgspec

from shared.analytes import ANALYTES
from shared.files import content_hash, decode_json, read_json

Size = tuple[float, float]
Range = tuple[float, float]
#: The longest length in a strip type, mm: no strip is longer than the largest card.
LARGEST_MM = 420.0


class IntrinsicU(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """Standard uncertainty of the strip's chemistry: ``relative`` of the value, ``absolute`` in its unit."""

    relative: float
    absolute: float
    note: str = ""

    def __post_init__(self) -> None:
        if self.relative < 0 or self.absolute < 0:
            raise ValueError("uncertainties must be 0 or more; found "
                             f"relative {self.relative:g}, absolute {self.absolute:g}")

    def u(self, value: float) -> float:
        """Standard uncertainty at a value, in the value's unit."""
        return hypot(self.relative * value, self.absolute)


class Pad(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """One pad. ``valid_when``: ranges of other pads' values outside which this one cannot be trusted.

    ``read_after_s``, ``read_before_s``: this pad's own reading window, where it differs from the strip's.
    """

    analyte: str
    species: str
    centre: float
    unit: str
    range: Range
    valid_when: dict[str, Range] = {}
    intrinsic_u: IntrinsicU | None = None
    read_after_s: float | None = None
    read_before_s: float | None = None

    def __post_init__(self) -> None:
        analyte = ANALYTES.get(self.analyte)
        if analyte is None:
            raise ValueError(f"no such analyte: {self.analyte!r}; allowed: {', '.join(ANALYTES)}")
        if self.unit != analyte.unit:
            raise ValueError(f"{self.analyte} is stored in {analyte.unit!r}, found unit {self.unit!r}")
        low, high = self.range
        if not analyte.lower <= low < high <= analyte.upper:
            raise ValueError(f"{self.analyte} has the range {low:g} to {high:g}; allowed: the lower end first, within "
                             f"{analyte.lower:g} to {analyte.upper:g} {analyte.unit}")
        for other, (a, b) in self.valid_when.items():
            if other not in ANALYTES or not a < b:
                raise ValueError(f"valid_when: {other!r} {a:g} to {b:g} is not a valid range of an analyte")

    @property
    def chemistry(self) -> IntrinsicU:
        """The stated intrinsic uncertainty; none if the type states none, which the reading reports."""
        return self.intrinsic_u or IntrinsicU(relative=0.0, absolute=0.0, note="not stated by the strip type")


class Blank(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The bare area of the strip that shows coloured or turbid water."""

    centre: float
    size: Size
    note: str = ""


class StripType(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A whole strip: ``length`` and ``width`` in mm, pads of ``pad_size`` (along, across)."""

    format: Literal["strip-type/1"]
    name: str
    units: Literal["mm"]
    length: float
    width: float
    pad_size: Size
    axis: Literal["distance from the tip along the strip to the pad centre"]
    read_after_s: float
    read_before_s: float
    pads: tuple[Pad, ...]
    blank: Blank

    def __post_init__(self) -> None:
        self._check_analytes()
        self._check_places()
        for pad in self.pads:
            after, before = self.window_s(pad)
            if not 0 <= after < before:
                raise ValueError(f"{pad.analyte} has the reading window {after:g} to {before:g} s; "
                                 "it must begin at 0 s or later and end later than it begins")

    @property
    def id(self) -> str:
        """Hash of the content."""
        return content_hash(self)

    def window_s(self, pad: Pad) -> Range:
        """Seconds after the dip between which ``pad`` may be read."""
        after = self.read_after_s if pad.read_after_s is None else pad.read_after_s
        before = self.read_before_s if pad.read_before_s is None else pad.read_before_s
        return after, before

    def pad(self, analyte: str) -> Pad:
        """The pad of an analyte; KeyError where the strip has none."""
        for pad in self.pads:
            if pad.analyte == analyte:
                return pad
        raise KeyError(f"strip {self.name!r} has no pad for {analyte}")

    def _check_analytes(self) -> None:
        names = [p.analyte for p in self.pads]
        if not names:
            raise ValueError("a strip needs pads, found none")
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"a strip has one pad for each analyte; listed more than once: {', '.join(twice)}")
        for pad in self.pads:
            unknown = [n for n in pad.valid_when if n not in names]
            if unknown:
                raise ValueError(f"valid_when of {pad.analyte} names {unknown[0]}, but this strip has no pad for it")

    def _check_places(self) -> None:
        if not (0 < self.width < self.length and min(*self.pad_size, *self.blank.size) > 0):
            raise ValueError("length, width, pad_size and the blank's size must be above 0, "
                             "and the width below the length")
        largest = max(self.length, *self.pad_size, *self.blank.size)
        if largest > LARGEST_MM:
            raise ValueError(f"lengths up to {LARGEST_MM:g} mm are allowed, found {largest:g}")
        half = self.pad_size[0] / 2
        spans = [(p.centre - half, p.centre + half, p.analyte) for p in self.pads]
        half = self.blank.size[0] / 2
        spans.append((self.blank.centre - half, self.blank.centre + half, "the blank"))
        spans.sort()
        if spans[0][0] < 0 or spans[-1][1] > self.length:
            raise ValueError(f"pads and blank must lie on the strip, 0 to {self.length:g} mm; found "
                             f"{spans[0][0]:g} to {spans[-1][1]:g}")
        for (_, end, name), (start, _, other) in pairwise(spans):
            if start < end:
                raise ValueError(f"{name} and {other} overlap: "
                                 f"one ends at {end:g} mm, the next begins at {start:g} mm")


def read_strip(path: Path) -> StripType:
    """The strip type in a JSON file, checked."""
    return read_json(path, StripType)


@cache
def default_strip() -> StripType:
    """The strip type supplied with the program."""
    data = files("shared").joinpath("data/strip.json").read_bytes()
    return decode_json(data, StripType, where="the default strip")
