"""Cards on their page: printed, characterised from CGATS, checked by photographs, retired."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import cv2
import httpx
import numpy as np
import pypdfium2
import pytest

from shared.card import default_card
from stripread.intake.materials_import import import_file
from stripread.store.integrity import verify_store
from stripread.store.models.materials import Card, CardInspection, PrintRun
from stripread.web.worker import Workers

from .conftest import Browser, Served, serving, store_in
from .records import HOSTILE


@pytest.fixture(scope="module")
def laboratory(tmp_path_factory: pytest.TempPathFactory, workers: Workers) -> Iterator[Served]:
    with serving(store_in(tmp_path_factory.mktemp("cards")), workers) as running:
        running.app.code = ""
        running.account("analyst")
        yield running


def send(browser: Browser, path: str, content: bytes, **given: str) -> httpx.Response:
    return browser.send("POST", path, params={"name": "photo.jpg", **given}, content=content,
                        headers={"accept": "application/json"})


def test_a_card_is_printed_at_its_size(laboratory: Served) -> None:
    """Points of the PDF: 72 to the inch of 25.4 mm."""
    analyst = laboratory.role("analyst")
    answer = analyst.get("/cards/print", params={"run": "12"})
    assert answer.headers["content-type"] == "application/pdf"
    size = pypdfium2.PdfDocument(answer.content)[0].get_size()
    assert size == pytest.approx([mm / 25.4 * 72 for mm in default_card().size], abs=0.01)
    for run in ("146", "-1", "x", "9" * 30):
        assert analyst.get("/cards/print", params={"run": run}).status_code == 422
    assert analyst.get("/cards/print", params={"run": "1", "sheet": "wall"}).status_code == 422


def test_a_print_run_is_characterised_from_a_file(laboratory: Served, samples: Path) -> None:
    analyst = laboratory.role("analyst")
    assert send(analyst, "/cards/profile", b"no measurement").status_code == 422
    assert laboratory.store.ids(PrintRun) == []
    answer = send(analyst, "/cards/profile", (samples / "card-run-007.txt").read_bytes())
    assert answer.json()["text"].startswith("Print run 7 registered: median difference from the design")
    assert [r.run for r in laboratory.store.find(PrintRun)] == [7]
    assert "Print run 7" in analyst.get("/cards").text


def test_a_card_is_checked_over_time_and_retired(laboratory: Served, samples: Path) -> None:
    """A good one; the same with 3 mm of its bar covered by paper; one whose ruler shows a print 2 % too small."""
    analyst, store = laboratory.role("analyst"), laboratory.store
    import_file(store, laboratory.account("analyst"), samples / "card-run-007.txt")
    assert analyst.post("/cards", card="7-1", run="7", **{"first-used": "2031-01-05"}).status_code == 303
    assert analyst.post("/cards", card=HOSTILE, run="8").status_code == 303
    assert HOSTILE not in analyst.get("/cards").text
    for fields in ({"card": "7-1", "run": "7"}, {"card": "7-2", "run": "x"}, {"card": "", "run": "7"}):
        assert analyst.post("/cards", **fields).status_code == 422
    photo = (samples / "sites" / "mill-yard.jpg").read_bytes()
    for given, said in (({"card": HOSTILE}, "another print run"), ({"ruler": "0"}, "not a possible length"),
                        ({"ruler": "a"}, "not a length")):
        answer = send(analyst, "/cards/photographs", photo, **given)
        assert answer.status_code == 422
        assert said in answer.text
    assert send(analyst, "/cards/photographs", photo, card="none-such").status_code == 404
    length = default_card().scale_bar.length
    for given in ({"card": "7-1"}, {"card": "7-1", "ruler": f"{0.98 * length}"}):
        assert send(analyst, "/cards/photographs", photo, **given).status_code == 200
    good, small = sorted(store.find(CardInspection), key=lambda c: c.at)
    assert good.verdict != "replace"
    assert good.bar_mm == pytest.approx(length, rel=0.005)
    assert small.verdict == "replace"
    assert small.bar_mm == pytest.approx(0.98 * length)
    assert "by ruler" in small.reasons[0]
    rows = {r["card"]: r for r in csv.DictReader(StringIO(analyst.get("/cards", params={"format": "csv"}).text))}
    assert rows["7-1"]["verdict"] == "replace"
    assert analyst.post("/cards/7-1/retire", why=" ").status_code == 422
    assert analyst.post("/cards/7-1/retire", why="printed too small").status_code == 303
    assert store.get(Card, "7-1").retired == store.clock().date()
    assert analyst.post("/cards/7-1/retire", why="again").status_code == 422
    assert verify_store(store).wrong == ""


def test_a_photograph_without_a_card_is_not_stored(laboratory: Served) -> None:
    grey = cv2.imencode(".jpg", np.full((900, 1200, 3), 128, np.uint8))[1].tobytes()
    before = len(laboratory.store.find(CardInspection))
    answer = send(laboratory.role("analyst"), "/cards/photographs", grey)
    assert answer.status_code == 422
    assert "no card was found" in answer.text
    assert len(laboratory.store.find(CardInspection)) == before
