"""The page of a reading: complete, self-contained, safe, and legible."""

from __future__ import annotations

import re
from html import unescape
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import msgspec
import numpy as np
import pytest

from calibration.chart import Chart
from shared.colour import srgb_decode
from shared.errors import FileError
from shared.flags import FLAGS
from stripread.reading.photo import Photo
from stripread.reading.result import Reading
from stripread.report.page import reading_sheet, write_report
from stripread.report.ramp import ramp_of
from stripread.report.text import cells
from tests.loops import some

#: Elements of HTML that have no end tag.
VOID = {"meta", "img", "input", "br", "hr", "link"}


class Elements(HTMLParser):
    """Every start tag with its attributes; fails where end tags do not match."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(page)
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def page_of(reading: Reading, photo: Photo, chart: Chart, path: Path) -> str:
    write_report(path, [reading_sheet(reading, photo, chart=chart)])
    return path.read_text(encoding="utf-8")


@pytest.fixture
def page(reading: Reading, photo: Photo, sample_chart: Chart, tmp_path: Path) -> str:
    return page_of(reading, photo, sample_chart, tmp_path / "report.html")


def test_values_and_provenance_are_on_it(page: str, reading: Reading, sample_chart: Chart) -> None:
    for pad in some(reading.pads):
        printed = cells(pad)
        assert printed.value in page
        assert printed.interval in page
    for fact in (reading.provenance.photo_sha256, sample_chart.id, reading.provenance.software, "print run 7"):
        assert fact in page


def test_the_action_of_each_flag_is_on_it(
        reading: Reading, photo: Photo, sample_chart: Chart, tmp_path: Path) -> None:
    flagged = msgspec.structs.replace(reading, flags=tuple(FLAGS))
    page = unescape(page_of(flagged, photo, sample_chart, tmp_path / "report.html"))
    assert [flag for flag in FLAGS if FLAGS[flag].action not in page] == []


def test_the_page_is_complete_and_loads_nothing(page: str) -> None:
    elements = Elements(page).found
    assert not [tag for tag, _ in elements if tag in {"script", "link", "iframe", "object", "form"}]
    sources = [a[k] or "" for _, a in elements for k in ("src", "href", "xlink:href") if k in a]
    assert sources
    assert all(s.startswith(("data:image/", "#")) for s in sources)
    assert not re.search(r"url\((?!#)", page)


def test_pictures_have_a_text_alternative(page: str) -> None:
    images = [attributes for tag, attributes in Elements(page).found if tag == "img"]
    drawings = [attributes for tag, attributes in Elements(page).found if tag == "svg"]
    assert images
    assert drawings
    assert all("alt" in attributes for attributes in images)
    assert all(a.get("aria-label") or a.get("aria-hidden") == "true" for a in drawings)


def test_ids_are_unique_and_used(page: str) -> None:
    ids = [a["id"] for _, a in Elements(page).found if "id" in a]
    assert len(ids) == len(set(ids))
    assert set(re.findall(r"url\(#([^)]+)\)", page)) <= set(ids)


def test_names_from_outside_are_text_never_markup(
        reading: Reading, photo: Photo, sample_chart: Chart, tmp_path: Path) -> None:
    hostile = "<script>alert(1)</script>\"'.jpg"
    reading = msgspec.structs.replace(reading, photo=hostile, reason=hostile, provenance=msgspec.structs.replace(
        reading.provenance, batch=hostile, camera=hostile))
    page = page_of(reading, photo, sample_chart, tmp_path / "report.html")
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    Elements(page)


def test_a_refused_photograph_shows_its_reason_and_no_value(
        reading: Reading, photo: Photo, sample_chart: Chart, tmp_path: Path) -> None:
    refused = msgspec.structs.replace(reading, status="no-result", reason="Too dark.", flags=("dark",), pads=())
    page = page_of(refused, photo, sample_chart, tmp_path / "report.html")
    assert "Too dark." in page
    assert FLAGS["dark"].action in page
    assert "95 %" not in page


def test_the_mark_on_the_ramp_is_at_the_value(sample_chart: Chart, reading: Reading) -> None:
    """A reading at a standard's level is marked at that level's tick."""
    for curve, pad in zip(some(sample_chart.curves), reading.pads, strict=True):
        ticks, levels = ramp_of(curve, pad).ticks, {f"{level.value:g}": level.value for level in curve.levels}
        assert len(ticks) >= 3
        for place, label in some(ticks):
            at = ramp_of(curve, msgspec.structs.replace(pad, value=levels[label])).at
            assert at == pytest.approx(place)


def palettes() -> list[dict[str, str]]:
    """The colours of the light and of the dark page."""
    css = files("stripread.report").joinpath("templates/style.css").read_text()
    roots = re.findall(r":root \{([^}]*)\}", css)
    return [dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", root)) for root in roots[:2]]


@pytest.mark.parametrize("palette", palettes(), ids=["light", "dark"])
@pytest.mark.parametrize("ink", ["ink", "soft", "accent", "good", "bad", "open"])
@pytest.mark.parametrize("paper", ["paper", "sheet", "tint"])
def test_text_can_be_read(palette: dict[str, str], ink: str, paper: str) -> None:
    """Contrast of at least 4.5:1 (WCAG 2.2, 1.4.3)."""
    counts = np.array([list(bytes.fromhex(palette[name][1:])) for name in (ink, paper)])
    dark, light = sorted(srgb_decode(counts / 255) @ (0.2126, 0.7152, 0.0722))
    assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_a_place_that_cannot_be_written_is_reported(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="the file cannot be written"):
        write_report(tmp_path, [])
