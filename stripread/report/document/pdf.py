"""Report as PDF: its blocks laid out on pages, selectable text in an embedded typeface, plots as vectors, the id."""

from __future__ import annotations

from base64 import b64decode
from collections.abc import Sequence
from functools import cache, partial
from io import BytesIO
from typing import Any, Final
from xml.sax.saxutils import escape

import msgspec
from reportlab.lib.enums import TA_CENTER
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
)
from reportlab.platypus.tables import TableStyle

from shared.errors import FileError
from stripread.report.document import model
from stripread.report.document.model import Document
from stripread.report.document.plot_pdf import BOLD, MISSING, REGULAR, PlotFlowable, colour, printable, register
from stripread.report.document.verdict_pdf import MARK, VERDICTS, Verdict, Window
from stripread.version import __version__

#: Font size of a table in points, and padding so that rounding breaks no line.
_SIZE, _SPARE = 9.0, 1.0


def widths(rows: Sequence[Sequence[str]], whole: float, *, padding: float, marks: Sequence[float] = ()) -> list[float]:
    """Return the column widths in points for these texts, ``whole`` in total at most; ``marks``: room before them."""
    columns = list(zip(*rows, strict=True))
    room = [padding + _SPARE + mark for mark in marks or [0.0] * len(columns)]
    wanted = [max(map(_width, column)) + more for column, more in zip(columns, room, strict=True)]
    least = [max(_width(word) for cell in column for word in cell.split() or [""]) + more
             for column, more in zip(columns, room, strict=True)]
    if sum(wanted) <= whole:
        return wanted
    if sum(least) >= whole:
        return _fair(least, whole)
    share = (whole - sum(least)) / (sum(wanted) - sum(least))
    return [low + share * (high - low) for low, high in zip(least, wanted, strict=True)]


def _fair(wanted: Sequence[float], whole: float) -> list[float]:
    """Return narrow columns unchanged, the others with equal widths; longer words are broken."""
    widths = [0.0] * len(wanted)
    for left, i in enumerate(sorted(range(len(wanted)), key=lambda i: wanted[i])):
        widths[i] = min(wanted[i], (whole - sum(widths)) / (len(wanted) - left))
    return widths


def _width(words: str) -> float:
    return stringWidth(printable(words), BOLD, _SIZE)


SIZE: Final = 9.0
_LEADING, _GAP = 12.5, 5.0
#: Gap between columns of a table and of photographs; largest height of a photograph.
_PADDING, _HIGHEST = 8.0, 330.0
#: Smallest part of the following text that stays with its heading.
_WITH_HEADING = 110.0
#: A table's corners, as the library names them.
_FIRST, _LAST = (0, 0), (-1, -1)
_NOT_IN_TYPEFACE = f"{MISSING} replaces a character that this typeface does not contain; the HTML report shows it."


class _Bookmark(Flowable):
    """Entry of the document outline in a PDF viewer; has no extent."""

    def __init__(self, title: str, key: str) -> None:
        super().__init__()
        self.title, self.key = title, key

    def wrap(self, _available_width: float, _available_height: float) -> tuple[float, float]:
        """Return a zero extent."""
        return 0.0, 0.0

    def draw(self) -> None:
        """Add the outline entry at the position of the heading."""
        self.canv.bookmarkHorizontal(self.key, 0, 0)
        self.canv.addOutlineEntry(self.title, self.key, 0)


def flow(document: model.Document, width: float) -> list[Flowable]:
    """Return the flowables of a report for a column of ``width`` points."""
    parts: list[Flowable] = [_paragraph(document.title, "title"), _paragraph(document.about, "soft")]
    for i, section in enumerate(document.sections):
        parts += _section(section, width, key=f"section-{i}")
    if MISSING in printable(msgspec.json.encode(document).decode()):
        parts.append(_paragraph(_NOT_IN_TYPEFACE, "soft"))
    return [*parts, Spacer(0, 3 * _GAP), _paragraph(document.end, "end")]


def _section(section: model.Section, width: float, *, key: str) -> list[Flowable]:
    """Keep a heading with the text that follows it."""
    heading = [_Bookmark(section.title, key), _paragraph(section.title, "heading")]
    opening, *others = section.blocks or (model.Text(""),)
    first, *rest = [part for block in (opening, *others) for part in _block(block, width)]
    if isinstance(opening, model.Figure):
        # A KeepTogether inside another one would not fit on any page.
        together: list[Flowable] = [KeepTogether([*heading, *_figure(opening)])]
    elif isinstance(opening, model.PhotoRow):
        together = [KeepTogether([*heading, first])]
    else:
        together = [CondPageBreak(_WITH_HEADING), *heading, first]
    return [Spacer(0, 2 * _GAP), *together, *rest]


def _block(block: model.Block, width: float) -> list[Flowable]:
    match block:
        case model.Text():
            verdict = _paragraph(block.words, f"{'strong' if block.strong else ''} {block.tone}")
            return [Verdict(verdict, block.tone) if block.strong and block.tone in VERDICTS else verdict]
        case model.Bullets():
            return [Paragraph(_markup(item), _style("bullet"), bulletText="\N{BULLET}") for item in block.items]
        case model.Facts():
            rows = [[_paragraph(name, "soft"), _paragraph(words, "")] for name, words in block.rows]
            return [_table(rows, [0.27 * width, 0.73 * width]), Spacer(0, _GAP)]
        case model.DocumentTable():
            return [_lined(block, width), Spacer(0, _GAP)]
        case model.Figure():
            return [KeepTogether(_figure(block))]
        case model.PhotoRow():
            return [*_photos(block, width), Spacer(0, _GAP)]


def _figure(block: model.Figure) -> list[Flowable]:
    caption = f"{block.plot.title}. {block.plot.description}."
    return [PlotFlowable(block.plot), _paragraph(caption, "soft"), Spacer(0, _GAP)]


def _paragraph(words: str, style: str) -> Paragraph:
    return Paragraph(_markup(words), _style(style.strip()))


def _markup(words: str) -> str:
    return escape(printable(words))


@cache
def _style(name: str) -> ParagraphStyle:
    """Return a paragraph style by its words: kind and tone."""
    what, *tones = name.split() or [""]
    tone = next((t for t in (what, *tones) if t in ("good", "open", "bad", "soft")), "ink")
    bold = what in ("title", "heading", "strong", "end")
    size = {"title": 16.0, "heading": 11.5}.get(what, SIZE)
    return ParagraphStyle(
        name or "plain", fontName=BOLD if bold else REGULAR, fontSize=size, leading=size / SIZE * _LEADING,
        textColor=colour(f"var(--{tone})"), spaceAfter=3.0,
        alignment=TA_CENTER if what == "end" else 0, splitLongWords=1, allowWidows=0, allowOrphans=0,
        leftIndent=10.0 if what == "bullet" else 0.0, bulletFontName=REGULAR, bulletFontSize=SIZE)


def _table(rows: Sequence[list[Any]], columns: list[float], *, head: bool = False) -> Table:
    style: list[Any] = [("VALIGN", _FIRST, _LAST, "TOP"), ("LEFTPADDING", _FIRST, _LAST, 0),
                        ("RIGHTPADDING", _FIRST, _LAST, _PADDING), ("TOPPADDING", _FIRST, _LAST, 2),
                        ("BOTTOMPADDING", _FIRST, _LAST, 2)]
    if head:
        style.append(("LINEBELOW", _FIRST, _LAST, 0.5, colour("var(--line)")))
    return Table(rows, colWidths=columns, style=TableStyle(style), repeatRows=int(head), hAlign="LEFT",
                 splitInRow=1)


def _lined(block: model.DocumentTable, width: float) -> Table:
    words = [list(block.head), *([cell.words for cell in row] for row in block.rows)]
    rows: list[list[Any]] = [[_paragraph(name, "soft") for name in block.head],
                             *([_cell(cell) for cell in row] for row in block.rows)]
    marks = [max((MARK for cell in column if cell.tone in VERDICTS), default=0.0)
             for column in zip(*block.rows, strict=True)] if block.rows else []
    return _table(rows, widths(words, width, padding=_PADDING, marks=marks), head=True)


def _cell(cell: model.Cell) -> list[Flowable]:
    if cell.tone in VERDICTS:
        return [Verdict(_paragraph(cell.words, f"strong {cell.tone}"), cell.tone)]
    return [_paragraph(cell.words, cell.tone), *([Window(cell.bar)] if cell.bar else [])]


def _photos(block: model.PhotoRow, width: float) -> list[Flowable]:
    column = width / max(block.across, 1) - _PADDING
    cells = [[_image(photo, column), _paragraph(photo.caption, "soft")] for photo in block.photos]
    rows = [cells[i : i + block.across] for i in range(0, len(cells), block.across)]
    blank = [block.across - len(row) for row in rows]
    return [_table([[*row, *([Spacer(0, 0)] * n)]], [width / block.across] * block.across)
            for row, n in zip(rows, blank, strict=True)]


def _image(photo: model.DocumentPhoto, width: float) -> Image:
    data = b64decode(photo.uri.partition(",")[2])
    across, down = photo.size
    scale = min(width / across, _HIGHEST / down)
    image = Image(BytesIO(data), width=across * scale, height=down * scale)
    image.hAlign = "LEFT"
    return image


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
