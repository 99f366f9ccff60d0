"""Every code on the page of labels, read back from its own drawing by OpenCV, opens the page of what it is on."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from html import unescape
from urllib.parse import parse_qs, urlsplit

import cv2
import numpy as np
import pytest

from calibration.chart import Chart
from stripread.intake.materials_import import register_chart
from stripread.store.models.materials import Tube
from stripread.store.models.sites import SamplingPoint, Site
from stripread.web.worker import Workers
from tests.loops import some

from .conftest import BATCH, Browser, Served, serving, store_in

#: Ids that an address must not take apart: slashes as in the sample company, and the signs that URLs reserve.
POINTS = ("mill/tap", "mill/bar/left", "a?b=c&d#e", "100% tap", "caf\u00e9 +1", "..", "./x", "mill//tap/")
TUBES = ("2031/A-7", "box 3?", "tube;1")
#: Pixels a module, and modules around a code that readers need (ISO/IEC 18004).
_SIDE, _QUIET = 6, 4


@pytest.fixture(scope="module")
def labelled(tmp_path_factory: pytest.TempPathFactory, workers: Workers, sample_chart: Chart) -> Iterator[Served]:
    with serving(store_in(tmp_path_factory.mktemp("store")), workers) as running:
        account = running.account("technician")
        register_chart(running.store, account, sample_chart)
        with running.store.writing(account) as work:
            work.put(Site(id="mill/yard", name="Mill Yard"), "made")
            for id_ in POINTS:
                work.put(SamplingPoint(id=id_, site="mill/yard", place="mains", name=f"point {id_}"), "made")
            for id_ in TUBES:
                work.put(Tube(id=id_, batch=BATCH), "made")
        running.app.code = ""
        yield running


@pytest.fixture
def technician(labelled: Served) -> Browser:
    return labelled.role("technician")


def decoded(path: str) -> str:
    """The text of a code drawn as SVG: rows of modules as "M4 4.5h7m1 0h1...", each half a module down."""
    x = y = 0.0
    rows: list[tuple[int, int, int]] = []
    for command, first, second in re.findall(r"([MmhH])(-?[\d.]+)(?:[ ,]?(-?[\d.]+))?", path):
        if command == "h":
            rows.append((int(y), int(x), int(x + float(first))))
            x += float(first)
        else:
            x, y = (0.0, 0.0) if command == "M" else (x, y)
            x, y = x + float(first), y + float(second)
    side = max(end for _, _, end in rows) + _QUIET
    modules = np.full((side, side), 255, np.uint8)
    for row, start, end in rows:
        modules[row, start:end] = 0
    # The first detector misses about one correct code in 200 (2 of 402); the addresses contain a random port.
    picture = np.kron(modules, np.ones((_SIDE, _SIDE), np.uint8))
    found = (detector.detectAndDecode(picture)[0] for detector in (cv2.QRCodeDetector(), cv2.QRCodeDetectorAruco()))
    return next(filter(None, found), "")


def printed(browser: Browser) -> list[str]:
    page = browser.get("/labels").text
    return [decoded(path) for path in re.findall(r'class="qrline"[^>]*d="([^"]+)"', page)]


def test_every_printed_code_opens_what_it_is_on(labelled: Served, technician: Browser) -> None:
    codes = printed(technician)
    assert len(codes) == len(POINTS) + len(TUBES) + 1  # one more of the batch
    opened = set()
    for code in some(codes):
        assert code.startswith(f"{labelled.url}/")
        answer = technician.get(code.removeprefix(labelled.url), follow_redirects=True)
        assert answer.status_code == 200, code
        asked = parse_qs(urlsplit(str(answer.url)).query)
        opened.add((asked.get("point") or asked.get("tube") or asked["batch"])[0])
        if "point" in asked:
            assert asked["point"][0] in {point["id"] for point in technician.get("/take/data").json()["points"]}
    assert opened == {*POINTS, *TUBES, BATCH}


def test_a_code_opens_after_signing_in(labelled: Served, technician: Browser) -> None:
    """The address survives the sign-in page, whatever is in it."""
    codes = printed(technician)
    assert codes
    for code in codes:
        form = labelled.browser().get(code.removeprefix(labelled.url), follow_redirects=True)
        to = unescape(re.findall(r'name="next" value="([^"]*)"', form.text)[0])
        direct, after = (technician.get(address, follow_redirects=True) for address in (code, labelled.url + to))
        assert str(after.url) == str(direct.url)


def test_the_labels_are_a_list(technician: Browser) -> None:
    """Searched and limited to a kind; downloaded with the addresses in the codes."""
    assert "point p-2" not in technician.get("/labels?kind=tube").text
    rows = list(csv.DictReader(io.StringIO(technician.get("/labels?kind=tube&format=csv&sort=id").text)))
    assert [row["id"] for row in rows] == sorted({*TUBES, BATCH})
    assert [row["address"] for row in rows] == sorted(c for c in printed(technician) if "/t?" in c)
    assert technician.get("/labels?search=none-such").text.count("No label matches") == 1
