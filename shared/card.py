"""The printed reference card as data: millimetres, origin top left, x right, y down; the bit patterns of its markers.

Nothing about a card is a constant in code; the default card ships as ``data/card.json``. The markers are AprilTag
36h11 in the project's own table: cards are drawn from it and detectors are checked against it.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from itertools import combinations
from pathlib import Path
from typing import Literal, Protocol

import msgspec
import numpy as np
from numpy.typing import NDArray

from shared.colour import srgb_to_lab
from shared.errors import MismatchError
from shared.files import content_hash, decode_json, read_json

#: Cells along a marker's side without and with its black border.
CODE_CELLS, CELLS = 6, 8


@cache
def _codes() -> tuple[int, ...]:
    text = files("shared").joinpath("data/apriltag-36h11.txt").read_text(encoding="ascii")
    return tuple(int(line, 16) for line in text.splitlines() if not line.startswith("#"))


def marker_cells(code: int) -> NDArray[np.bool_]:
    """Cells (8, 8) of a marker, its black border included, from the top left; True is white."""
    cells = np.zeros((CELLS, CELLS), dtype=bool)
    bits = f"{_codes()[code]:0{CODE_CELLS**2}b}"
    cells[1:-1, 1:-1] = np.array([b == "1" for b in bits]).reshape(CODE_CELLS, CODE_CELLS)
    return cells


Array = NDArray[np.float64]
Srgb = tuple[int, int, int]
Point = tuple[float, float]

#: Print runs that the 587 codes of the marker family leave room for, four corners each.
RUNS = range(146)
#: Longest side of a card, mm: that of ISO 216 A3; phones resolve larger cards too coarsely.
LARGEST_MM = 420.0
#: Ids under which a profile gives the colour of the bed and of the bare paper.
BED, PAPER = "BED", "PAPER"
#: Paper without a measurement: L*, a*, b* near the middle of ISO 12647-2:2013 print substrates (from memory).
NOMINAL_PAPER_LAB = (95.0, 0.0, 0.0)


class _Rectangle(Protocol):
    @property
    def x(self) -> float: ...
    @property
    def y(self) -> float: ...
    @property
    def w(self) -> float: ...
    @property
    def h(self) -> float: ...


class _Box(msgspec.Struct, frozen=True):
    """A bare rectangle, for comparing places."""

    x: float
    y: float
    w: float
    h: float


def _overlap(a: _Rectangle, b: _Rectangle) -> bool:
    return a.x < b.x + b.w and b.x < a.x + a.w and a.y < b.y + b.h and b.y < a.y + a.h


def _check_srgb(srgb: Srgb) -> None:
    if not all(0 <= v <= 255 for v in srgb):
        raise ValueError(f"srgb {list(srgb)} is not a colour; allowed: three whole numbers from 0 to 255")


class Patch(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """One printed colour patch: rectangle in mm, nominal sRGB in counts of 255."""

    id: str
    colour: str
    x: float
    y: float
    w: float
    h: float
    srgb: Srgb

    def __post_init__(self) -> None:
        _check_srgb(self.srgb)
        if self.w <= 0 or self.h <= 0:
            raise ValueError(f"patch {self.id} is {self.w} x {self.h} mm; its sides must be above 0")
        if self.id in (BED, PAPER):
            raise ValueError(f"a patch must not be named {self.id}: profiles use this name for the {self.id.lower()}")


class Markers(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """Corner markers: side of the black square and white margin around it in mm, places of the squares.

    The places are in the order top-left, top-right, bottom-right, bottom-left, as the ids are.
    """

    family: Literal["AprilTag 36h11"]
    side: float
    quiet_zone: float
    ids: Literal[
        "4*run + corner; corners in order top-left, top-right, bottom-right, bottom-left; run 0..145"
    ]
    top_left_corners: tuple[Point, Point, Point, Point]

    def __post_init__(self) -> None:
        if self.side <= 0 or self.quiet_zone < 0:
            raise ValueError("a marker needs a side above 0 and a quiet zone of 0 or more, "
                             f"found {self.side:g} and {self.quiet_zone:g} mm")


class Bed(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The grey bed: the strip lies along ``axis_y``, its tip at ``stop_x`` (mm), handle to the right."""

    x: float
    y: float
    w: float
    h: float
    colour: str
    srgb: Srgb
    stop_x: float
    axis_y: float
    note: str = ""

    def __post_init__(self) -> None:
        _check_srgb(self.srgb)
        inside = self.x <= self.stop_x <= self.x + self.w and self.y <= self.axis_y <= self.y + self.h
        if self.w <= 0 or self.h <= 0 or not inside:
            raise ValueError(f"stop line ({self.stop_x:g}) and axis ({self.axis_y:g}) must lie on the bed: "
                             f"x {self.x:g} to {self.x + self.w:g}, y {self.y:g} to {self.y + self.h:g} mm")


class ScaleBar(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A bar to check the printed size: left end and length, mm."""

    x: float
    y: float
    length: float


class CardLayout(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A whole card; ``size`` is width and height in mm."""

    format: Literal["reference-card/1"]
    name: str
    units: Literal["mm"]
    origin: Literal["top-left, x right, y down"]
    size: tuple[float, float]
    markers: Markers
    bed: Bed
    patches: tuple[Patch, ...]
    scale_bar: ScaleBar

    def __post_init__(self) -> None:
        if not all(0 < side <= LARGEST_MM for side in self.size):
            raise ValueError(f"the card is {self.size[0]:g} x {self.size[1]:g} mm; "
                             f"allowed: sides above 0, up to {LARGEST_MM:g}")
        self._check_ids()
        self._check_inside()
        self._check_apart()

    @property
    def id(self) -> str:
        """Hash of the content."""
        return content_hash(self)

    @property
    def patch_ids(self) -> tuple[str, ...]:
        """Ids of the patches in the layout's order."""
        return tuple(p.id for p in self.patches)

    def marker_ids(self, run: int) -> tuple[int, int, int, int]:
        """Marker ids of a print run, in the order of the corners."""
        if run not in RUNS:
            raise MismatchError("no such print run", where="print run", found=str(run),
                                allowed=f"{RUNS.start} to {RUNS.stop - 1}")
        return (4 * run, 4 * run + 1, 4 * run + 2, 4 * run + 3)

    def nominal_lab(self) -> Array:
        """CIELAB (n, 3), D50, of the patches as designed: sRGB adapted from D65 by Bradford."""
        return srgb_to_lab(np.array([p.srgb for p in self.patches]) / 255.0)

    def nominal_bed_lab(self) -> Array:
        """CIELAB (3,), D50, of the bed as designed."""
        return srgb_to_lab(np.array(self.bed.srgb) / 255.0)

    def _marker_squares(self) -> dict[str, _Box]:
        m = self.markers
        q, side = m.quiet_zone, m.side + 2 * m.quiet_zone
        return {f"marker {i}": _Box(x - q, y - q, side, side) for i, (x, y) in enumerate(m.top_left_corners)}

    def _check_ids(self) -> None:
        ids = self.patch_ids
        if not ids:
            raise ValueError("a card needs patches, found none")
        twice = sorted({i for i in ids if ids.count(i) > 1})
        if twice:
            raise ValueError(f"patch IDs must be unique; listed more than once: {', '.join(twice)}")

    def _check_inside(self) -> None:
        width, height = self.size
        bar = _Box(self.scale_bar.x, self.scale_bar.y, self.scale_bar.length, 0.0)
        things: dict[str, _Rectangle] = {"bed": self.bed, "scale_bar": bar, **self._marker_squares(),
                                         **{f"patch {p.id}": p for p in self.patches}}
        for name, r in things.items():
            if r.x < 0 or r.y < 0 or r.x + r.w > width or r.y + r.h > height:
                raise ValueError(f"{name} reaches outside the card of {width:g} x {height:g} mm: "
                                 f"x {r.x:g} to {r.x + r.w:g}, y {r.y:g} to {r.y + r.h:g}")

    def _check_apart(self) -> None:
        things: dict[str, _Rectangle] = {"the bed": self.bed, **self._marker_squares(),
                                         **{f"patch {p.id}": p for p in self.patches}}
        for (name, a), (other, b) in combinations(things.items(), 2):
            if _overlap(a, b):
                raise ValueError(f"{name} and {other} overlap; patches, markers and bed must not overlap")


def read_card(path: Path) -> CardLayout:
    """The card layout in a JSON file, checked."""
    return read_json(path, CardLayout)


@cache
def default_card() -> CardLayout:
    """The card layout supplied with the program."""
    data = files("shared").joinpath("data/card.json").read_bytes()
    return decode_json(data, CardLayout, where="the default card")
