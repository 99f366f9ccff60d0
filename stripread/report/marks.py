"""What is drawn over a photograph, told once for the PNG and for the page.

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

Kind = Literal["card", "used", "left-out", "axis", "pad", "refused"]


@dataclass(frozen=True, slots=True)
class Style:
    """How a kind of mark looks; the key of the legend says what it is."""

    colour: str
    width: float
    key: str


#: Light lines of distinct lightness, each drawn over a dark halo: legible on any background.
STYLES: dict[Kind, Style] = {
    "card": Style("#ffffff", 3.0, "card"),
    "used": Style("#7fe3c4", 2.0, "patch used"),
    "left-out": Style("#ffb000", 2.5, "patch left out"),
    "axis": Style("#8ec5ff", 1.4, "strip axis, tip to handle"),
    "pad": Style("#ffffff", 2.5, "pad"),
    "refused": Style("#ff7a70", 3.0, "pad refused"),
}
HALO = "#10202a"
HALO_EXTRA = 2.5


@dataclass(frozen=True, slots=True)
class OverlayMark:
    """A line through ``points``; ``closed``: back to the first."""

    kind: Kind
    points: tuple[Point, ...]
    closed: bool = True

    @property
    def crossed(self) -> bool:
        """Whether a cross is drawn through it as well: told without colour, too."""
        return self.kind in ("left-out", "refused")

    @property
    def strokes(self) -> tuple[tuple[Point, ...], ...]:
        """The lines to draw, each through its points in order."""
        outline = (*self.points, self.points[0]) if self.closed else self.points
        return (outline, self.points[::2], self.points[1::2]) if self.crossed else (outline,)


@dataclass(frozen=True, slots=True)
class OverlayLabel:
    """A short text whose middle stands at ``at``, ``size`` pixels high."""

    text: str
    at: Point
    size: float


def marks(reading: Reading) -> Iterator[OverlayMark]:
    """Everything the reader found, the card first."""
    if reading.card is not None:
        yield OverlayMark("card", reading.card.corners_px)
    for patch in reading.patches:
        yield OverlayMark("left-out" if patch.left_out else "used", patch.outline_px)
    if reading.strip is not None:
        yield OverlayMark("axis", reading.strip.axis_px, closed=False)
    for pad in reading.pads:
        yield OverlayMark("refused" if pad.status == "refused" else "pad", pad.outline_px)


def pad_labels(reading: Reading, notation: Notation = PLAIN) -> Iterator[OverlayLabel]:
    """The value of each pad, beside it on the free part of the bed."""
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
    """A value as it fits next to a pad: the table has its bound in words."""
    return value.replace("at most ", "\N{LESS-THAN OR EQUAL TO}").replace("at least ", "\N{GREATER-THAN OR EQUAL TO}")


def _upwards(direction: tuple[float, float]) -> Point:
    """The direction as a unit vector, turned so that it points up, or right where it is level."""
    dx, dy = direction
    length = math.hypot(dx, dy) or 1.0
    turn = -1.0 if dy > 1e-9 or (abs(dy) <= 1e-9 and dx < 0) else 1.0
    return turn * dx / length, turn * dy / length
