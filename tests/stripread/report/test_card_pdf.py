"""The printed card read back: rastered at 300 dpi, located as a photograph is, every patch in its colour."""

import re
from functools import cache

import msgspec
import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from shared.card import CardLayout, default_card
from shared.errors import MismatchError
from stripread.reading.locate import CardLocation, locate
from stripread.reading.patches import PAPER_SQUARE, paper_places
from stripread.report.card_pdf import Sheet, card_pdf, ink
from tests.loops import some

DPI = 300
#: The rasteriser moves edges to whole pixels; half of one is 0.042 mm.
SNAP_MM = 0.05
CARD = default_card()


def raster(pdf: bytes) -> NDArray[np.uint8]:
    """First page, blue, green, red."""
    page = pypdfium2.PdfDocument(pdf)[0]
    pixels: NDArray[np.uint8] = page.render(scale=DPI / 72).to_numpy()
    return pixels


@cache
def printed(run: int, sheet: Sheet = "card") -> NDArray[np.uint8]:
    return raster(card_pdf(CARD, run, sheet=sheet))


def px_per_mm(pixels: NDArray[np.uint8], size_mm: tuple[float, float] = CARD.size) -> NDArray[np.float64]:
    """Across and down: the raster is stretched to whole pixels."""
    scale: NDArray[np.float64] = np.array(pixels.shape[1::-1]) / np.array(size_mm)
    assert scale == pytest.approx(np.full(2, DPI / 25.4), rel=0.001)
    return scale


def found(pixels: NDArray[np.uint8], run: int) -> CardLocation:
    located = locate(pixels, CARD, [run])
    assert isinstance(located, CardLocation)
    return located


@pytest.mark.parametrize("run", [0, 7, 145])
def test_raster_is_located_at_exact_size(run: int) -> None:
    located = found(printed(run), run)
    width, height = CARD.size
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height], [74.0, 52.5]])
    assert (located.run, located.markers) == (run, (0, 1, 2, 3))
    # Pixel centres lie at whole numbers, hence the half.
    mm = (located.to_px(corners) + 0.5) / px_per_mm(printed(run))
    assert mm == pytest.approx(corners, abs=SNAP_MM)
    assert pypdfium2.PdfDocument(card_pdf(CARD, run))[0].get_size() == pytest.approx((148 * 72 / 25.4, 105 * 72 / 25.4))


def test_every_patch_and_the_bed_have_their_colour_to_their_edge() -> None:
    pixels = printed(7)[..., ::-1]
    located = found(printed(7), 7)
    bed = CARD.bed
    shapes = [(p.x, p.y, p.w, p.h, p.srgb) for p in CARD.patches] + [(bed.x, bed.y, bed.w, bed.h, bed.srgb)]
    for x, y, w, h, srgb in shapes:
        edge = 0.1
        (left, top), (right, bottom) = np.rint(
            located.to_px(np.array([[x + edge, y + edge], [x + w - edge, y + h - edge]]))).astype(int)
        area = pixels[top : bottom + 1, left : right + 1].reshape(-1, 3).astype(int)
        assert np.abs(area - srgb).max() <= 1
        outside = located.to_px(np.array([[x - edge, y + h / 2], [x + w + edge, y + h / 2]]))
        assert all((pixels[round(v), round(u)] == 255).all() for u, v in some(outside))


def test_scale_bar_has_its_length() -> None:
    bar = CARD.scale_bar
    across, down = px_per_mm(printed(7))
    row = printed(7)[round(bar.y * down), round(30 * across) : round(118 * across)]
    dark = np.flatnonzero(row.max(axis=1) < 128) / across
    assert 30 + dark[0] == pytest.approx(bar.x, abs=0.1)
    assert dark[-1] - dark[0] == pytest.approx(bar.length, abs=0.1)


def test_four_cards_on_a_sheet_are_each_located() -> None:
    sheet = printed(3, "a4")
    scale = px_per_mm(sheet, (297.0, 210.0))
    half_h, half_w = sheet.shape[0] // 2, sheet.shape[1] // 2
    for j in (0, 1):
        for i in (0, 1):
            quarter = np.ascontiguousarray(sheet[j * half_h : (j + 1) * half_h, i * half_w : (i + 1) * half_w])
            diagonal = np.subtract(*found(quarter, 3).to_px(np.array([CARD.size, (0.0, 0.0)])))
            assert diagonal / scale == pytest.approx(CARD.size, abs=2 * SNAP_MM)


def test_ink_does_not_cover_sampled_areas() -> None:
    """Bare paper is white in print: no name, word or mark reaches into the squares that are read as paper."""
    places = paper_places(CARD)
    assert len(places) > 50
    half = PAPER_SQUARE / 2
    for x, y in places:
        (left, top), (right, bottom) = np.rint(
            np.array([[x - half, y - half], [x + half, y + half]]) * px_per_mm(printed(7))).astype(int)
        assert printed(7)[top:bottom, left:right].min() == 255


def test_every_name_and_word_finds_its_place() -> None:
    drawn = ink(CARD, 7)
    texts = [w.text for w in drawn.words]
    assert texts[: len(CARD.patches)] == list(CARD.patch_ids)
    assert "A6 bench card, print run 7" in texts
    assert "Print at 100 % on matt, water-resistant stock." in texts
    assert any(t.startswith("50 mm") for t in texts)
    assert [m.box[0] < CARD.bed.stop_x < m.box[2] for m in drawn.marks] == [True, True]


def test_same_bytes_each_time_and_no_scaling_by_printers() -> None:
    pdf = card_pdf(CARD, 7)
    assert pdf == card_pdf(CARD, 7)
    assert re.search(rb"/PrintScaling\s*/None", pdf)


def test_no_such_run_and_no_such_sheet() -> None:
    with pytest.raises(MismatchError, match=r"0 to 145"):
        card_pdf(CARD, 146)
    wide: CardLayout = msgspec.structs.replace(CARD, size=(160.0, 105.0))
    with pytest.raises(MismatchError, match="four cards do not fit"):
        card_pdf(wide, 7, sheet="a4")
