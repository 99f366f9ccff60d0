"""A report read back: from its PDF by another library, and from its page."""

from __future__ import annotations

import ctypes
import re
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.errors import FileError
from stripread.report.document import write_document
from stripread.report.document.model import (
    Bullets,
    Cell,
    Document,
    DocumentPhoto,
    DocumentTable,
    Facts,
    Figure,
    PhotoRow,
    Section,
    Text,
    html,
    number,
    row,
)
from stripread.report.document.pdf import EDGE, SIDE, pdf, widths
from stripread.report.document.plot_pdf import MISSING, outline, register
from stripread.report.document.verdict_pdf import MARK, VERDICTS
from stripread.report.picture import jpeg
from stripread.report.render import SHAPES, Area, Frame, Plot, PlotDot, PlotLabel, PlotLine, even_ticks
from tests.loops import some

#: ISO 216 A4 and US letter (ANSI A), points.
PAPERS = {"a4": (210 / 25.4 * 72, 297 / 25.4 * 72), "letter": (8.5 * 72, 11 * 72)}
#: Signs of the trade, and letters of many languages' names of places.
SIGNS = "25 °C ± 1 µS/cm, CaCO₃, HCO₃⁻ − 2 ≤ 3; Řeka, Łódź, Ærø, Πλάκα, Жито"
FRAME = Frame((0, 10), (0, 100))
PLOT = Plot(
    title="Hardness over time", description="It falls", frame=FRAME, x_ticks=even_ticks((0, 10)),
    y_ticks=even_ticks((0, 100)),
    x_title="weeks", y_title="mg/L CaCO3", areas=(Area(FRAME.points([(0, 80), (10, 30), (10, 10), (0, 60)])),),
    lines=(PlotLine(FRAME.points([(0, 70), (10, 20)]), "var(--accent)", dash="5 4"),),
    dots=tuple(PlotDot(FRAME.across(i), FRAME.up(70 - 5 * i), SHAPES[i], f"mark {i}", hollow=i > 2, ringed=i == 3)
               for i in range(len(SHAPES))),
    labels=(PlotLabel(100, 30, "cartridge changed", "start"),))
PICTURE = DocumentPhoto(jpeg(np.full((300, 400, 3), (60, 120, 200), np.uint8)), (400, 300), "the tap")
ROWS = tuple(row(f"place {i}", number(f"{i}.5 mg/L CaCO3"), "a remark that needs some room " * 4, Cell("out", "bad"))
             for i in range(70))
DOCUMENT = Document("20310504-1a2b3c", "Water at Mill Lane", "As of 2031-05-04", (
    Section("Now", (Text("Out of limits: scale.", "bad", strong=True), Text(SIGNS),
                    Facts((("Chart", "0123456789abcdef" * 4),))), "bad"),
    Section("Values", (DocumentTable("Values", ("Place", "Value", "Remark", "Verdict"), ROWS),)),
    Section("Over time", (Figure(PLOT), Bullets(("one", "two & <three>", "w" * 400)))),
    Section("Photographs", (PhotoRow((PICTURE,) * 5, across=4),)),
))

#: Tone of a report as the pages name it.
SHORT = {"good": "ok", "open": "un", "bad": "out"}


@pytest.fixture(scope="module", params=list(PAPERS))
def paper(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def pages(paper: str) -> pypdfium2.PdfDocument:
    return pypdfium2.PdfDocument(pdf(DOCUMENT, paper))


def test_a_section_that_opens_with_a_plot_begins_where_there_is_room(paper: str) -> None:
    sections = tuple(Section(title, (Figure(PLOT),)) for title in ("One", "Two"))
    assert len(pypdfium2.PdfDocument(pdf(Document("1", "Water", "", sections), paper))) == 1


def text_of(page: pypdfium2.PdfPage) -> str:
    return " ".join(page.get_textpage().get_text_range().split())


def objects(page: pypdfium2.PdfPage, kind: int) -> list[pypdfium2.PdfObject]:
    return [o for o in page.get_objects(max_depth=5) if o.type == kind]


def test_every_page_has_its_size_the_report_s_id_and_its_number(pages: pypdfium2.PdfDocument, paper: str) -> None:
    assert len(pages) > 3
    for i, page in enumerate(pages, start=1):
        assert page.get_size() == pytest.approx(PAPERS[paper], abs=0.01)
        text = text_of(page)
        assert text.count(DOCUMENT.id) >= 2
        assert f"page {i} of {len(pages)}" in text
        assert (DOCUMENT.end in text) == (i == len(pages))


def test_all_words_can_be_selected(pages: pypdfium2.PdfDocument) -> None:
    text = "".join(text_of(page) for page in pages).replace(" ", "")
    wanted = [SIGNS, "two & <three>", "the tap", "cartridge changed", "0123456789abcdef" * 4,
              *(cell.words for cells in ROWS for cell in cells)]
    assert [w for w in wanted if w.replace(" ", "") not in text] == []


def test_no_letter_lies_beyond_the_margins(pages: pypdfium2.PdfDocument) -> None:
    for page in some(pages):
        (width, height), letters = page.get_size(), page.get_textpage()
        boxes = np.array([letters.get_charbox(i) for i in range(letters.count_chars())
                          if letters.get_text_range(i, 1).strip()])
        assert boxes[:, 0].min() >= SIDE - 1
        assert boxes[:, 2].max() <= width - SIDE + 1
        assert boxes[:, 1].min() >= EDGE - 3
        assert boxes[:, 3].max() <= height - EDGE + 9


def test_plots_are_vectors_and_only_photographs_are_pictures(pages: pypdfium2.PdfDocument) -> None:
    images = [o for page in pages for o in objects(page, pdfium.FPDF_PAGEOBJ_IMAGE)]
    assert len(images) == 5
    plotted = next(page for page in pages if PLOT.title in text_of(page))
    drawn = [pdfium.FPDFPath_CountSegments(o.raw) for o in objects(plotted, pdfium.FPDF_PAGEOBJ_PATH)]
    # Frame, ticks, an area, a line, a ring and a mark of each shape; the circle is of many short strokes.
    assert len(drawn) >= 1 + len(PLOT.x_ticks) + len(PLOT.y_ticks) + 2 + 1 + len(PLOT.dots)
    assert max(drawn) > 12


def test_a_viewer_has_its_contents(pages: pypdfium2.PdfDocument) -> None:
    found = [(item.get_title(), item.get_dest().get_index()) for item in pages.get_toc()]
    assert [title for title, _ in found] == [section.title for section in DOCUMENT.sections]
    assert all(title in text_of(pages[index]) for title, index in some(found))


def test_its_typeface_is_embedded(pages: pypdfium2.PdfDocument) -> None:
    fonts = [pdfium.FPDFTextObj_GetFont(o.raw) for page in pages for o in objects(page, pdfium.FPDF_PAGEOBJ_TEXT)]
    assert fonts
    assert all(pdfium.FPDFFont_GetIsEmbedded(font) == 1 for font in fonts)
    length = pdfium.FPDFFont_GetFamilyName(fonts[0], None, 0)
    name = ctypes.create_string_buffer(length)
    pdfium.FPDFFont_GetFamilyName(fonts[0], name, length)
    assert b"Roboto" in name.value


def test_the_same_bytes_each_time(paper: str) -> None:
    assert pdf(DOCUMENT, paper) == pdf(DOCUMENT, paper)


def test_whatever_people_write_finds_room() -> None:
    """A note longer than a page, a word wider than it, a table of more columns than fit, an empty one."""
    note, word = "every drop counts " * 800, "w" * 3000
    wide = DocumentTable("wide", tuple(f"column {i}" for i in range(30)), (row(*(f"{i} and more" for i in range(30))),))
    text = "".join(
        map(
            text_of,
            pypdfium2.PdfDocument(
                pdf(
                    Document(
                        "id",
                        word,
                        note,
                        (
                            Section(
                                "Long", (Facts((("Note", note), ("Word", word))), Bullets((note, word)), Text(word))
                            ),
                            Section(
                                "Wide",
                                (
                                    wide,
                                    DocumentTable("tall", ("a", "b"), (row(note, word),)),
                                    DocumentTable("none", ("a",), ()),
                                ),
                            ),
                            Section("Empty", ()),
                        ),
                    )
                )
            ),
        )
    ).replace(" ", "")
    assert text.count("every") == 4 * 800
    # The title, the fact, the bullet, the paragraph, the cell; the title at the head of each page is cut.
    assert text.count("w") >= 5 * 3000


def test_a_letter_missing_from_the_typeface_is_reported() -> None:
    strange = Document("1", "東京", "", (Section("s", (Text("a"),)),))
    text = text_of(pypdfium2.PdfDocument(pdf(strange))[0])
    assert f"{MISSING}{MISSING}" in text
    assert "the HTML report shows it" in text
    assert ord(MISSING) in register()


def test_the_page_shows_the_same_and_loads_nothing(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    write_document(path, DOCUMENT)
    page = path.read_text(encoding="utf-8")
    for words in (SIGNS, "two &amp; &lt;three&gt;", "the tap", PLOT.description,
                  DOCUMENT.end, DOCUMENT.id, ROWS[69][1].words):
        assert words in page
    assert "<script" not in page
    assert all(source.startswith("data:") for source in some(re.findall(r'(?:src|href)="([^"]*)"', page)))


@pytest.mark.parametrize(("name", "paper"), [("report.txt", "a4"), ("report", "a4"), ("report.pdf", "a0")])
def test_what_cannot_be_written_is_reported(name: str, paper: str, tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"allowed"):
        write_document(tmp_path / name, DOCUMENT, paper)
    assert not (tmp_path / name).exists()


@pytest.mark.parametrize(("shape", "area"), [
    (SHAPES[0], np.pi * 16), (SHAPES[1], 64.0), (SHAPES[2], 60.5), (SHAPES[3], 45.0), (SHAPES[4], 45.0),
    (SHAPES[5], 30.0)])
def test_marks_have_the_outline_of_their_path(shape: str, area: float) -> None:
    """Areas by hand; a circle of 24 strokes lacks 1.2 %."""
    points = np.array(outline(shape), dtype=np.float32)
    assert cv2.contourArea(points) == pytest.approx(area, rel=0.015)


WORDS = st.lists(st.text("abcdefg ", min_size=1, max_size=60), min_size=3, max_size=3)


@given(st.lists(WORDS, min_size=1, max_size=8), st.floats(200.0, 600.0))
def test_columns_find_room(rows: list[list[str]], whole: float) -> None:
    register()
    found = widths(rows, whole, padding=8.0)
    assert sum(found) <= whole + 1e-6
    assert min(found) > 8.0


def test_verdicts_differ_without_colour() -> None:
    """The same words with another tone: grey pictures differ left of the words."""
    marks = []
    for tone in VERDICTS:
        document = Document("1", "Water", "", (Section("S", (Text("A verdict.", tone, strong=True),)),))
        page = pypdfium2.PdfDocument(pdf(document))[0].render(scale=3.0, grayscale=True).to_numpy()
        marks.append(np.squeeze(page)[:, :round(3 * (SIDE + MARK))] < 200)
        assert f'<span class="v {SHORT[tone]} verdict">' in html(document).decode()
    for one, other in ((0, 1), (0, 2), (1, 2)):
        assert np.count_nonzero((marks[one] != marks[other]).any(axis=0)) > 20
