"""Reference card as a vector PDF at exact size: one card per page, or four per sheet with crop marks.

Colours are the layout's sRGB counts as PDF DeviceRGB, which viewers and printers take as sRGB; what a press
makes of them is measured afterwards, a print run at a time.

Labels, marks and texts keep clear of everything else printed and of the bare paper that a reading samples, so that
none of it changes a reading; a name for which there is no room is left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from io import BytesIO
from itertools import product
from typing import Literal, Protocol, TypeVar

import numpy as np
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from shared.card import CELLS, Bed, CardLayout, Patch, ScaleBar, Srgb, marker_cells
from shared.errors import MismatchError
from stripread.reading.patches import PAPER_SQUARE, paper_places

Sheet = Literal["card", "a4"]
#: ISO 216 A4, landscape, mm.
A4 = (297.0, 210.0)
#: Cards across and down on a sheet.
_ACROSS, _DOWN = 2, 2
#: Crop marks: distance from the sheet's edge, length and width in mm; printers cannot print the outermost millimetres.
_CROP_FROM, _CROP_LENGTH, _CROP_WIDTH = 3.0, 4.0, 0.1
_WHITE: Srgb = (255, 255, 255)
_BLACK: Srgb = (0, 0, 0)


def card_pdf(card: CardLayout, run: int, *, sheet: Sheet = "card") -> bytes:
    """Return the PDF of a print run's card. Raises MismatchError for an invalid run or a card that does not fit."""
    page = card.size if sheet == "card" else _sheet_for(card)
    buffer = BytesIO()
    canvas = Canvas(buffer, pagesize=(page[0] * mm, page[1] * mm), invariant=1, pageCompression=1)
    canvas.setTitle(f"{card.name}, print run {run}")
    canvas.setSubject(PRINT_ADVICE)
    canvas.setViewerPreference("PrintScaling", "None")
    for x, y in _places(card, page):
        _Pen(canvas, (x, y), height=page[1]).card(card, run)
    if sheet == "a4":
        _crop(_Pen(canvas, (0.0, 0.0), height=page[1]), card, page=page)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _sheet_for(card: CardLayout) -> tuple[float, float]:
    width, height = card.size
    if width * _ACROSS > A4[0] or height * _DOWN > A4[1]:
        raise MismatchError("four cards do not fit on A4", where=f"card {card.name!r}",
                            found=f"{width:g} x {height:g} mm", allowed=f"{A4[0] / 2:g} x {A4[1] / 2:g} mm",
                            remedy="print one card per page")
    return A4


def _places(card: CardLayout, page: tuple[float, float]) -> list[tuple[float, float]]:
    """Return the top left corners of the cards, edge to edge in the centre of the page."""
    width, height = card.size
    if page == card.size:
        return [(0.0, 0.0)]
    left, top = (page[0] - _ACROSS * width) / 2, (page[1] - _DOWN * height) / 2
    return [(left + i * width, top + j * height) for j, i in product(range(_DOWN), range(_ACROSS))]


def _crop(pen: _Pen, card: CardLayout, *, page: tuple[float, float]) -> None:
    """Draw crop marks at the edges of the sheet, and a cross where the cuts meet."""
    (width, height), (left, top) = card.size, _places(card, page)[0]
    half, ends = _CROP_WIDTH / 2, (_CROP_FROM, _CROP_FROM + _CROP_LENGTH)
    for x in (left + i * width for i in range(_ACROSS + 1)):
        for a, b in (ends, (page[1] - ends[1], page[1] - ends[0])):
            pen.box((x - half, a, x + half, b), _BLACK)
    for y in (top + j * height for j in range(_DOWN + 1)):
        for a, b in (ends, (page[0] - ends[1], page[0] - ends[0])):
            pen.box((a, y - half, b, y + half), _BLACK)
    x, y, reach = left + width, top + height, _CROP_LENGTH / 2
    pen.box((x - half, y - reach, x + half, y + reach), _BLACK)
    pen.box((x - reach, y - half, x + reach, y + half), _BLACK)


class _Pen:
    """Draws in millimetres from the top left corner ``origin`` on a page ``height`` mm high."""

    def __init__(self, canvas: Canvas, origin: tuple[float, float], *, height: float) -> None:
        self.canvas = canvas
        self.left, self.top = origin
        self.height = height

    def card(self, card: CardLayout, run: int) -> None:
        """Draw one card."""
        bed = card.bed
        self.box((bed.x, bed.y, bed.x + bed.w, bed.y + bed.h), bed.srgb)
        for patch in card.patches:
            self.box((patch.x, patch.y, patch.x + patch.w, patch.y + patch.h), patch.srgb)
        for code, corner in zip(card.marker_ids(run), card.markers.top_left_corners, strict=True):
            self.marker(code, corner, side=card.markers.side)
        bar, extra = card.scale_bar, ink(card, run)
        self.box((bar.x, bar.y - LINE_MM, bar.x + bar.length, bar.y + LINE_MM), _BLACK)
        for mark in extra.marks:
            self.box(mark.box, _BLACK)
        self.canvas.setFillColorRGB(0, 0, 0)
        for text in extra.words:
            self.canvas.setFont(FONT, text.size * mm)
            self.canvas.drawString(*self._point(text.x, text.y), text.text)

    def box(self, box: Box, srgb: Srgb) -> None:
        """Draw a filled rectangle without outline."""
        self._fill([box], srgb)

    def marker(self, code: int, corner: tuple[float, float], *, side: float) -> None:
        """Draw a marker; its white cells are one path, so that no seam is visible between them."""
        x, y = corner
        cell = side / CELLS
        self.box((x, y, x + side, y + side), _BLACK)
        rows, columns = marker_cells(code).nonzero()
        self._fill([(x + i * cell, y + j * cell, x + (i + 1) * cell, y + (j + 1) * cell)
                    for j, i in zip(rows.tolist(), columns.tolist(), strict=True)], _WHITE)

    def _fill(self, boxes: list[Box], srgb: Srgb) -> None:
        path = self.canvas.beginPath()
        for left, top, right, bottom in boxes:
            path.rect(*self._point(left, bottom), (right - left) * mm, (bottom - top) * mm)
        self.canvas.setFillColorRGB(*(v / 255 for v in srgb))
        self.canvas.drawPath(path, stroke=0, fill=1)

    def _point(self, x: float, y: float) -> tuple[float, float]:
        return (self.left + x) * mm, (self.height - self.top - y) * mm


Box = tuple[float, float, float, float]

PRINT_ADVICE = "Print at 100 % on matt, water-resistant stock."
FONT = "Helvetica"
#: Cap height and descender of that font, as fractions of its size (Adobe AFM).
CAPITALS, BELOW = 0.718, 0.207
#: Sizes of patch labels and texts, line width, and clearance around ink, mm.
NAME_MM, WORDS_MM, LINE_MM, CLEAR_MM = 1.8, 2.4, 0.25, 0.4
#: Length of the two marks at the stop line, and largest distance from the bed, mm.
MARK_MM, MARK_REACH_MM = 1.5, 6.0
_ROUNDING = 1e-9


class _Inked(Protocol):
    @property
    def box(self) -> Box: ...


Item = TypeVar("Item", bound=_Inked)


@dataclass(frozen=True, slots=True)
class CutMark:
    """Short line; left, top, right, bottom in mm from the card's top left corner."""

    box: Box


@dataclass(frozen=True, slots=True)
class PrintedText:
    """Text whose baseline starts at ``x``, ``y`` (mm from the card's top left corner), ``size`` mm high."""

    text: str
    x: float
    y: float
    size: float

    @property
    def box(self) -> Box:
        """Bounding box: left, top, right, bottom."""
        width = stringWidth(self.text, FONT, self.size)
        return (self.x, self.y - CAPITALS * self.size, self.x + width, self.y + BELOW * self.size)


@dataclass(frozen=True, slots=True)
class Ink:
    """All placed marks and texts."""

    marks: tuple[CutMark, ...]
    words: tuple[PrintedText, ...]


def ink(card: CardLayout, run: int) -> Ink:
    """Return the marks at the stop line, the patch labels and the texts of a card."""
    room = _Room(card)
    marks = [room.first(_stop_marks(card.bed, step)) for step in (-1, 1)]
    words = [room.first(_around(patch)) for patch in card.patches]
    words.append(room.first(_beside(card.scale_bar)))
    words += [room.first(_across(card, text)) for text in (
        f"{card.name}, print run {run}",
        PRINT_ADVICE,
        "Lay the strip on the grey bed: tip between the two marks, handle to the right.",
    )]
    return Ink(tuple(m for m in marks if m), tuple(w for w in words if w))


class _Room:
    """Occupied boxes; grows with each placement."""

    def __init__(self, card: CardLayout) -> None:
        width, height = card.size
        quiet, side = card.markers.quiet_zone, card.markers.side
        half, bed, bar = PAPER_SQUARE / 2, card.bed, card.scale_bar
        self.inner = (CLEAR_MM, CLEAR_MM, width - CLEAR_MM, height - CLEAR_MM)
        self.taken: list[Box] = [(bed.x, bed.y, bed.x + bed.w, bed.y + bed.h),
                                 (bar.x, bar.y - LINE_MM, bar.x + bar.length, bar.y + LINE_MM)]
        self.taken += [(p.x, p.y, p.x + p.w, p.y + p.h) for p in card.patches]
        self.taken += [(x - quiet, y - quiet, x + side + quiet, y + side + quiet)
                       for x, y in card.markers.top_left_corners]
        self.taken += [(x - half, y - half, x + half, y + half) for x, y in paper_places(card)]

    def first(self, candidates: Iterable[Item]) -> Item | None:
        """Return and place the first candidate that keeps its distance from all occupied boxes."""
        for candidate in candidates:
            if self._free(candidate.box):
                self.taken.append(candidate.box)
                return candidate
        return None

    def _free(self, box: Box) -> bool:
        left, top, right, bottom = self.inner
        inside = left <= box[0] and top <= box[1] and box[2] <= right and box[3] <= bottom
        return inside and all(_apart(box, other) >= CLEAR_MM - _ROUNDING for other in self.taken)


def _apart(a: Box, b: Box) -> float:
    """Return the distance of two boxes along the axis on which they are farther apart; negative: overlap."""
    return max(a[0] - b[2], b[0] - a[2], a[1] - b[3], b[1] - a[3])


def _stop_marks(bed: Bed, step: int) -> Iterator[CutMark]:
    """Yield positions above (``step`` -1) or below the bed (1), outwards."""
    left, right = bed.stop_x - LINE_MM / 2, bed.stop_x + LINE_MM / 2
    for gap in np.arange(CLEAR_MM, MARK_REACH_MM, 0.1).tolist():
        top = bed.y - gap - MARK_MM if step < 0 else bed.y + bed.h + gap
        yield CutMark((left, top, right, top + MARK_MM))


def _around(patch: Patch) -> Iterator[PrintedText]:
    """Yield positions below, then above the patch: left, middle, right."""
    spare = patch.w - stringWidth(patch.id, FONT, NAME_MM)
    for y in (patch.y + patch.h + CLEAR_MM + CAPITALS * NAME_MM, patch.y - CLEAR_MM - BELOW * NAME_MM):
        for share in (0.0, 0.5, 1.0):
            yield PrintedText(patch.id, patch.x + share * spare, y, NAME_MM)


def _beside(bar: ScaleBar) -> Iterator[PrintedText]:
    """Yield positions below, then above the bar, centred, outwards."""
    text = f"{bar.length:g} mm: measure this line before use"
    x = bar.x + (bar.length - stringWidth(text, FONT, NAME_MM)) / 2
    gaps = np.arange(0.5, 5.0, 0.1)
    for y in np.concatenate([gaps + CAPITALS * NAME_MM, -gaps]).tolist():
        yield PrintedText(text, x, bar.y + y, NAME_MM)


def _across(card: CardLayout, text: str) -> Iterator[PrintedText]:
    """Yield positions centred on the card, from the top downwards."""
    x = (card.size[0] - stringWidth(text, FONT, WORDS_MM)) / 2
    for y in np.arange(0.0, card.size[1], 0.5).tolist():
        yield PrintedText(text, x, y, WORDS_MM)
