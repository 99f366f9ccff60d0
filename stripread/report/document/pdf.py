"""A report on paper: text that can be selected in an embedded typeface, plots as vectors, the id on every page."""

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
#: Free room around a page's text: left and right, top, bottom; where head and foot stand in it.
SIDE, TOP, BOTTOM, EDGE = 18 * mm, 18 * mm, 20 * mm, 11 * mm
#: Letters at the edges, points, and the share of a line that the title takes there at most.
_SMALL, _TITLE = 8.0, 0.7


def pdf(document: Document, paper: str = "a4") -> bytes:
    """The report as PDF, the same bytes each time. Raises FileError for paper of another name."""
    if paper not in _SIZES:
        raise FileError("no such paper", where="--paper", found=paper, allowed=", ".join(_SIZES))
    # Set twice: how many pages there are is known after the first time.
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
    """What stands on every page: which report it is a part of, and which page."""
    canvas.saveState()
    canvas.setFont(REGULAR, _SMALL)
    canvas.setFillColor(colour("var(--soft)"))
    title, *_ = simpleSplit(printable(document.title), REGULAR, _SMALL, (size[0] - 2 * SIDE) * _TITLE) or [""]
    canvas.drawString(SIDE, size[1] - EDGE, title)
    canvas.drawRightString(size[0] - SIDE, size[1] - EDGE, document.id)
    canvas.drawString(SIDE, EDGE, f"Report {document.id}. Written by stripread {__version__}")
    canvas.drawRightString(size[0] - SIDE, EDGE, page)
    canvas.restoreState()
