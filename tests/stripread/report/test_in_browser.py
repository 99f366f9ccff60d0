"""The pages in a real browser: nothing reaches beyond the screen, on a phone and on a desk."""

from __future__ import annotations

import html
import re
import subprocess
from pathlib import Path

import pytest

from assess import AssessmentSetup, assess, load_equipment, load_limits, sample_from_typed
from assess.treatment.unit import load_units
from stripread.reading.calibrate import Calibration
from stripread.reading.photo import Photo
from stripread.reading.result import Reading
from stripread.report import write_assessment_reports
from stripread.report.chart_page import write_chart_report
from stripread.report.document import write_document
from stripread.report.page import reading_sheet, write_report
from tests.loops import some
from tests.stripread.report.document.test_document import DOCUMENT

#: A small phone, and a desk.
WIDTHS = (320, 1280)
#: A frame of some width; how much of it the page needs is added to the title, which the browser's dump shows.
FRAME = """<iframe style="width:{width}px;height:900px;border:0" srcdoc="{page}"
onload="document.title += ' {width}:' + this.contentDocument.documentElement.scrollWidth"></iframe>"""


@pytest.fixture(scope="module", params=["reading", "assessment", "chart", "document"])
def page(request: pytest.FixtureRequest, reading: Reading, photo: Photo, sample_calibration: Calibration,
         tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pages") / "page.html"
    if request.param == "reading":
        write_report(path, [reading_sheet(reading, photo, chart=sample_calibration.chart)])
    elif request.param == "document":
        write_document(path, DOCUMENT)
    elif request.param == "chart":
        write_chart_report(path, sample_calibration, [], [])
    else:
        terms = AssessmentSetup(
            equipment=load_equipment("two-boiler-espresso"), limits=load_limits(), units=load_units()
        )
        write_assessment_reports([assess(sample_from_typed({"hardness": "19 °dH", "ph": "7.6"}), terms)], path)
    return path


def test_pages_fit_the_width_of_the_screen(page: Path, chromium: str, tmp_path: Path) -> None:
    """Without sideways scrolling down to 320 px (WCAG 2.2, 1.4.10 Reflow)."""
    harness, text = tmp_path / "frames.html", html.escape(page.read_text(encoding="utf-8"))
    harness.write_text("".join(FRAME.format(width=w, page=text) for w in WIDTHS), encoding="utf-8")
    done = subprocess.run(
        [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
         f"--user-data-dir={tmp_path / 'browser'}", "--virtual-time-budget=5000", "--dump-dom", harness.as_uri()],
        check=True, capture_output=True, text=True, timeout=60)
    needed = dict(re.findall(r"(\d+):(\d+)", done.stdout.partition("<title>")[2].partition("</title>")[0]))
    assert {int(w) for w in needed} == set(WIDTHS)
    assert all(int(n) <= int(w) for w, n in some(needed.items()))
