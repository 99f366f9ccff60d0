"""A batch's chart: the curves of its analytes with everything a reading needs, as one JSON file.

Its identity is the hash of its content: two charts with the same content are the same chart, and
any change is detected.
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import Literal

import msgspec

from calibration.curve import Curve
from calibration.diagnostics import Suspect
from shared.card import CardLayout
from shared.files import content_hash, read_json, write_whole
from shared.strip import StripType


class ExcludedPhotograph(msgspec.Struct, frozen=True, kw_only=True):
    """A standard's photograph that was left out of the fit, and why."""

    photo: str
    why: str


class LightProperties(msgspec.Struct, frozen=True, kw_only=True):
    """A light: its name in the standards table, and its properties by the patches in its photographs.

    ``lamps``: probability of each CIE lamp that a reading tries, mean over the photographs.
    """

    light: str
    photographs: int
    lamps: dict[str, float]


class Conditions(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Conditions of the fit: lights and cameras of the standards, print run, software, table."""

    lights: tuple[str, ...]
    cameras: tuple[str, ...]
    print_run: int
    profile: str
    software: str
    made: str
    standards_sha256: str
    photographs: int
    excluded: tuple[ExcludedPhotograph, ...] = ()
    seen: tuple[LightProperties, ...] = ()


class Chart(msgspec.Struct, frozen=True, kw_only=True, dict=True, forbid_unknown_fields=True, omit_defaults=True):
    """A batch's chart. ``card`` and ``strip`` are the definitions it was made with, as in their files.

    ``suspects``: photographs of standards that a stated rule names; they were fitted all the same.
    """

    format: Literal["strip-chart/1"]
    batch: str
    card: CardLayout
    strip: StripType
    conditions: Conditions
    curves: tuple[Curve, ...]
    suspects: tuple[Suspect, ...] = ()

    def __post_init__(self) -> None:
        units = {p.analyte: p.unit for p in self.strip.pads}
        for n, curve in enumerate(self.curves):
            if units.get(curve.analyte) != curve.unit:
                raise ValueError(f"strip {self.strip.name!r} has no pad for {curve.analyte} in {curve.unit!r}; "
                                 f"its pads: {', '.join(f'{a} in {u!r}' for a, u in units.items())}")
            if curve.analyte in {c.analyte for c in self.curves[:n]}:
                raise ValueError(f"a chart has one curve for each analyte; listed more than once: {curve.analyte}")

    @cached_property
    def id(self) -> str:
        """SHA-256 of the content, in hexadecimal."""
        return content_hash(self)

    def curve(self, analyte: str) -> Curve | None:
        """The curve of an analyte, or None when the chart has none."""
        return next((c for c in self.curves if c.analyte == analyte), None)


def save_chart(chart: Chart, path: str | Path) -> None:
    """Write a chart. Raises FileError when the file cannot be written."""
    write_whole(Path(path), msgspec.json.format(msgspec.json.encode(chart, order="sorted"), indent=1) + b"\n")


def load_chart(path: str | Path) -> Chart:
    """Read a chart. Raises FileError naming the file and what is wrong with it."""
    return read_json(Path(path), Chart)
