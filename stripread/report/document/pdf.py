"""Report as PDF: selectable text in an embedded typeface, plots as vectors, the id on every page."""

from __future__ import annotations

from functools import partial
from io import BytesIO
from typing import Any, Final

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

from shared.errors import FileError
from stripread.report.document.flow import flow
from stripread.report.document.model import Document
from stripread.report.document.typeface import REGULAR, colour, printable, register
from stripread.version import __version__

_SIZES: Final = {"a4": A4, "letter": LETTER}
#: Margins of a page: left and right, top, bottom; position of header and footer.
SIDE, TOP, BOTTOM, EDGE = 18 * mm, 18 * mm, 20 * mm, 11 * mm
#: Font size of header and footer, points, and largest part of a line for the title.
_SMALL, _TITLE = 8.0, 0.7


def pdf(document: Document, paper: str = "a4") -> bytes:
    """Return the report as PDF, reproducible byte for byte. Raises FileError for an unknown paper size."""
    if paper not in _SIZES:
        raise FileError("unknown paper size", where="--paper", found=paper, allowed=", ".join(_SIZES))
    # Built twice: the number of pages is known after the first pass.
    _, pages = _set(document, _SIZES[paper], pages=0)
    return _set(document, _SIZES[paper], pages=pages)[0]


def _set(document: Document, size: tuple[float, float], *, pages: int) -> tuple[bytes, int]:
    register()
    buffer, (width, height) = BytesIO(), size
    made: Any = BaseDocTemplate(
        buffer, pagesize=size, invariant=1,
        title=f"{document.title}, {document.id}", subject=document.about, author="", lang="en-GB",
        creator=f"stripread {__version__}")
    body = Frame(SIDE, BOTTOM, width - 2 * SIDE, height - TOP - BOTTOM, leftPadding=0, rightPadding=0, topPadding=0,
                 bottomPadding=0)

    def edges(canvas: Canvas, template: Any) -> None:
        _edges(canvas, document, size, f"page {template.page} of {pages}")

    made.addPageTemplates([PageTemplate(frames=[body], onPage=edges)])
    made.build(flow(document, width - 2 * SIDE), canvasmaker=partial(Canvas, initialFontName=REGULAR))  # type: ignore[arg-type]
    return buffer.getvalue(), made.page


def _edges(canvas: Canvas, document: Document, size: tuple[float, float], page: str) -> None:
    """Draw header and footer: report and page number."""
    canvas.saveState()
    canvas.setFont(REGULAR, _SMALL)
    canvas.setFillColor(colour("var(--soft)"))
    title, *_ = simpleSplit(printable(document.title), REGULAR, _SMALL, (size[0] - 2 * SIDE) * _TITLE) or [""]
    canvas.drawString(SIDE, size[1] - EDGE, title)
    canvas.drawRightString(size[0] - SIDE, size[1] - EDGE, document.id)
    canvas.drawString(SIDE, EDGE, f"Report {document.id}. Written by stripread {__version__}")
    canvas.drawRightString(size[0] - SIDE, EDGE, page)
    canvas.restoreState()
