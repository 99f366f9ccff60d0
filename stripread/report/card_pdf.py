"""Reference card as a vector PDF at exact size: one card per page, or four per sheet with crop marks.

Colours are the layout's sRGB counts as PDF DeviceRGB, which viewers and printers take as sRGB; what a press
makes of them is measured afterwards, a print run at a time.
"""

from __future__ import annotations

from io import BytesIO
from itertools import product
from typing import Literal

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from shared.card import CELLS, CardLayout, Srgb, marker_cells
from shared.errors import MismatchError
from stripread.report.card_ink import FONT, LINE_MM, PRINT_ADVICE, Box, ink

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
