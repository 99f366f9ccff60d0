"""Overlay of a photograph, defined once for the PNG and for the page.

Points are pixels of the upright photograph as in `stripread.reading.result`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from shared.notation import PLAIN, Notation
from stripread.reading.result import Point, Reading
from stripread.report.text import cells

Kind = Literal["card", "used", "left-out", "axis", "pad", "no-result"]


@dataclass(frozen=True, slots=True)
class Style:
    """Appearance of a kind of mark; ``key``: its text in the legend."""

    colour: str
    width: float
    key: str


#: Light lines of distinct lightness, each drawn over a dark halo: legible on any background.
STYLES: dict[Kind, Style] = {
    "card": Style("#ffffff", 3.0, "card"),
    "used": Style("#7fe3c4", 2.0, "patch used"),
    "left-out": Style("#ffb000", 2.5, "patch excluded"),
    "axis": Style("#8ec5ff", 1.4, "strip axis, tip to handle"),
    "pad": Style("#ffffff", 2.5, "pad"),
    "no-result": Style("#ff7a70", 3.0, "pad without result"),
}
HALO = "#10202a"
HALO_EXTRA = 2.5


@dataclass(frozen=True, slots=True)
class OverlayMark:
    """Line through ``points``; ``closed``: back to the first point."""

    kind: Kind
    points: tuple[Point, ...]
    closed: bool = True

    @property
    def crossed(self) -> bool:
        """Whether the mark has a cross, which distinguishes it without colour."""
        return self.kind in ("left-out", "no-result")

    @property
    def strokes(self) -> tuple[tuple[Point, ...], ...]:
        """Polylines to draw."""
        outline = (*self.points, self.points[0]) if self.closed else self.points
        return (outline, self.points[::2], self.points[1::2]) if self.crossed else (outline,)


@dataclass(frozen=True, slots=True)
class OverlayLabel:
    """Short text centred at ``at``, ``size`` pixels high."""

    text: str
    at: Point
    size: float


def marks(reading: Reading) -> Iterator[OverlayMark]:
    """Yield a mark for everything found, the card first."""
    if reading.card is not None:
        yield OverlayMark("card", reading.card.corners_px)
    for patch in reading.patches:
        yield OverlayMark("left-out" if patch.left_out else "used", patch.outline_px)
    if reading.strip is not None:
        yield OverlayMark("axis", reading.strip.axis_px, closed=False)
    for pad in reading.pads:
        yield OverlayMark("no-result" if pad.status == "no-result" else "pad", pad.outline_px)


def pad_labels(reading: Reading, notation: Notation = PLAIN) -> Iterator[OverlayLabel]:
    """Yield the value of each pad, next to the pad on the free part of the bed."""
    pads = reading.pads
    if len(pads) < 2:
        return
    (x0, y0), (x1, y1) = pads[0].px, pads[-1].px
    spacing = math.dist(pads[0].px, pads[-1].px) / (len(pads) - 1)
    away = _upwards(((y1 - y0), -(x1 - x0)))
    for pad in pads:
        reach = spacing * 0.62
        at = (pad.px[0] + away[0] * reach, pad.px[1] + away[1] * reach)
        yield OverlayLabel(text=_short(cells(pad, notation).value), at=at, size=spacing * 0.3)


def _short(value: str) -> str:
    """Return a value in the short form that fits next to a pad."""
    return value.replace("at most ", "\N{LESS-THAN OR EQUAL TO}").replace("at least ", "\N{GREATER-THAN OR EQUAL TO}")


def _upwards(direction: tuple[float, float]) -> Point:
    """Return the direction as a unit vector that points up, or right if horizontal."""
    dx, dy = direction
    length = math.hypot(dx, dy) or 1.0
    turn = -1.0 if dy > 1e-9 or (abs(dy) <= 1e-9 and dx < 0) else 1.0
    return turn * dx / length, turn * dy / length
