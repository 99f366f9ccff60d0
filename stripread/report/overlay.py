"""Overlay of a photograph, defined once for the page and the annotated PNG.

Points are pixels of the upright photograph as in `stripread.reading.result`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from shared.files import write_whole
from shared.notation import PLAIN, Notation
from stripread.reading.photo import Photo
from stripread.reading.result import PadReading, Point, Reading
from stripread.report.picture import Pixels, eight_bit
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


#: Image width for which line widths and caption are specified; both scale with the width.
_DRAWN_FOR_PX = 1600
#: Fraction bits of the coordinates passed to OpenCV: lines are placed to 1/16 pixel.
_SHIFT = 4
_CAPTION_PX = 22
_PAPER, _INK = "#f7f6f2", "#10202a"


def write_overlay(photo: Photo, reading: Reading, *, path: Path) -> None:
    """Draw and write the PNG. Raises FileError where the file cannot be written."""
    done, data = cv2.imencode(".png", draw_overlay(photo, reading))
    if not done:
        raise RuntimeError("PNG encoding failed")
    write_whole(path, data.tobytes())


def draw_overlay(photo: Photo, reading: Reading) -> Pixels:
    """Return the photograph with marks and a caption below it, (h, w, 3) blue, green, red, 8 bit."""
    pixels = eight_bit(photo)
    scale = pixels.shape[1] / _DRAWN_FOR_PX
    shown = list(marks(reading))
    for halo in (True, False):
        for mark in shown:
            _stroke(pixels, mark, shrink=photo.shrink, scale=scale, halo=halo)
    labels = [OverlayLabel(la.text, (la.at[0] / photo.shrink, la.at[1] / photo.shrink), la.size / photo.shrink)
              for la in pad_labels(reading)]
    return _captioned(_labelled(pixels, labels), _caption(reading), scale=scale)


def _stroke(pixels: Pixels, mark: OverlayMark, *, shrink: float, scale: float, halo: bool) -> None:
    style = STYLES[mark.kind]
    width = (style.width + (HALO_EXTRA if halo else 0.0)) * scale
    colour = _bgr(HALO if halo else style.colour)
    lines = [_fixed_point(points, shrink) for points in mark.strokes]
    cv2.polylines(pixels, lines, isClosed=False, color=colour, thickness=max(1, round(width)),
                  lineType=cv2.LINE_AA, shift=_SHIFT)


def _fixed_point(points: Sequence[Point], shrink: float) -> NDArray[np.int32]:
    # OpenCV counts from the centre of the first pixel, readings from its corner.
    at = np.asarray(points) / shrink - 0.5
    fixed: NDArray[np.int32] = np.round(at * 2**_SHIFT).astype(np.int32)
    return fixed


def _bgr(colour: str) -> tuple[int, int, int]:
    red, green, blue = bytes.fromhex(colour[1:])
    return blue, green, red


def _labelled(pixels: Pixels, labels: Sequence[OverlayLabel]) -> Pixels:
    picture = Image.fromarray(pixels[:, :, ::-1])
    pen = ImageDraw.Draw(picture)
    for label in labels:
        pen.text(label.at, label.text, fill="#ffffff", anchor="mm", font=ImageFont.load_default(label.size),
                 stroke_width=max(1, round(label.size / 8)), stroke_fill=HALO)
    return np.asarray(picture)[:, :, ::-1]


def _caption(reading: Reading) -> list[str]:
    """Return the caption: file, status, and each pad by name."""
    run = f", card run {reading.card.run}" if reading.card else ""
    head = f"{Path(reading.photo).name}: {reading.status}{run}, {reading.provenance.software}"
    notes = [line for line in (reading.placed_by_hand, reading.reason) if line]
    flags = [f"flags: {' '.join(reading.flags)}"] if reading.flags else []
    return [head, *notes, *(_pad_line(p) for p in reading.pads), *flags]


def _pad_line(pad: PadReading) -> str:
    return "   ".join(part for part in (cells(pad).sentence, pad.reason, " ".join(pad.flags)) if part)


def _captioned(pixels: Pixels, lines: Sequence[str], *, scale: float) -> Pixels:
    size = max(12.0, _CAPTION_PX * scale)
    step = round(size * 1.4)
    height, width = pixels.shape[:2]
    sheet = Image.new("RGB", (width, height + step * (len(lines) + 1)), _PAPER)
    sheet.paste(Image.fromarray(pixels[:, :, ::-1]), (0, 0))
    pen = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(size)
    for row, line in enumerate(lines):
        pen.text((step // 2, height + step // 2 + row * step), line, fill=_INK, font=font)
    return np.asarray(sheet)[:, :, ::-1]
