"""A photograph on its way in: looked at ahead, kept once however often it is sent, read, judged, seen."""

from __future__ import annotations

import io
import re
import socket
import time
from html import unescape
from pathlib import Path
from urllib.parse import urlsplit

import cv2
import httpx
import numpy as np
import pypdfium2
import pytest
from PIL import Image

from calibration.chart import Chart
from shared.text import format_estimate
from stripread.api import read_photo
from stripread.intake.receive import delete_photo
from stripread.store.integrity import verify_store
from stripread.store.models.evidence import IssuedReport, Photograph, StoredAssessment, StoredReading
from stripread.store.models.sites import SamplingPoint
from tests.loops import some
from tests.stripread.intake.phone_photos import phone_photo
from tests.stripread.store.histories import keep

from .conftest import BATCH, POINT, Browser, Served


@pytest.fixture(scope="module")
def photo(samples: Path) -> bytes:
    return phone_photo(samples / "sites" / "mill-yard.jpg", taken="2031:05:04 09:30:40", place=True).data


#: Citations of limits, the decision rule, software and hashes, and coordinates of drawings.
AS_WRITTEN = (r"<summary>Sources of the limits</summary>.*?</details>"
              r'|<details class="fold" id="provenance">.*?</details>|<summary>Sources.*?</details>'
              r"|<header.*?</header>|<footer.*?</footer>|<head>.*?</head>")


def send(browser: Browser, data: bytes, **fields: str) -> httpx.Response:
    asked = {"point": POINT, "batch": BATCH, "name": "IMG_1.jpg", "dipped": "2031-05-04T09:30:00+02:00", **fields}
    return browser.send("POST", "/take/original", params=asked, content=data, headers={"accept": "application/json"})


@pytest.fixture(scope="module")
def numbers(photo: bytes, samples: Path, sample_chart: Chart,
            tmp_path_factory: pytest.TempPathFactory) -> list[tuple[str, str, str]]:
    """Value and interval of each pad as `read_photo` gives them for the same file."""
    path = tmp_path_factory.mktemp("photo") / "photo.jpg"
    path.write_bytes(photo)
    reading = read_photo(path, sample_chart, samples / "card-run-007.txt")
    found = (re.findall(r"[\d.]+", format_estimate(v).replace(v.unit, "")) for v in reading.values())
    return [(value, low, high) for value, low, high, *_ in found]


def reading_of(answer: httpx.Response) -> str:
    """The id of the reading in a response."""
    return str(re.findall(r'data-reading="([^"]+)"', answer.text)[0])


def kept(bench: Served) -> list[int]:
    return [len(bench.store.find(kind)) for kind in (Photograph, StoredReading, StoredAssessment)]


def test_the_same_photograph_twice_is_one_record(bench: Served, technician: Browser, photo: bytes) -> None:
    """The answer is the same too, so that a phone which lost the first one loses nothing."""
    before = kept(bench)
    first, second = send(technician, photo), send(technician, photo)
    assert first.status_code == second.status_code == 200
    assert first.text == second.text
    assert kept(bench) == [n + 1 for n in before]
    assert not verify_store(bench.store).wrong


def test_the_page_shows_the_values_of_the_reader(technician: Browser, photo: bytes,
                                             numbers: list[tuple[str, str, str]]) -> None:
    """In the answer to the photograph, and on the page of the reading."""
    answer = send(technician, photo)
    page = technician.get(f"/readings/{reading_of(answer)}").text
    for text in (answer.text, page):
        shown = re.sub(r"<[^>]+>|\s+", " ", text)
        for value, low, high in some(numbers):
            assert value in shown
            assert f"{low} to {high}" in shown
    assert "Mill Yard &amp; Co" in page


def test_unit_and_decimal_sign_reach_every_number(technician: Browser, photo: bytes) -> None:
    """1 °dH is 10 mg CaO/L, 17.848 mg CaCO3/L (DIN 38409-6, from memory). Citations and provenance stay as written."""
    def hardness(answer: str) -> float:
        found = re.search(r"<dt>Total hardness.*?<b[^>]*>([^<]+)<", answer, re.DOTALL)
        assert found
        return float(found[1].replace(",", "."))

    first = send(technician, photo)
    technician.post("/me/preferences", unit="°dH", comma="yes")
    shown = [send(technician, photo).text, technician.get(f"/readings/{reading_of(first)}?details=all").text]
    technician.post("/me/preferences", unit="mg/L CaCO3")
    assert hardness(shown[0]) == pytest.approx(hardness(first.text) / 17.848, rel=0.03)
    for text in shown:
        said = unescape(re.sub(r"<[^>]+>", " ", re.sub(AS_WRITTEN, "", text, flags=re.DOTALL)))
        attributes = " ".join(re.findall(r'aria-label="([^"]+)"', text))
        assert re.findall(r".{30}mg/L CaCO3", said + attributes) == []
        assert re.findall(r".{30}(?<![\w.])\d+\.\d+(?!\w|\.)", said + attributes) == []
    assert len(re.findall(r"\d,\d", said)) > 20


@pytest.mark.parametrize(("sample", "flag"), [("no-strip", "No strip was found"), ("overexposed", "overexposed")])
def test_a_photograph_without_result_is_stored_and_states_the_remedy(bench: Served, technician: Browser, samples: Path,
                                                          sample: str, flag: str) -> None:
    data = phone_photo(samples / "faults" / f"{sample}.jpg", taken="2031:05:04 09:31:00").data
    answer = send(technician, data).text
    assert flag in answer
    assert "Retake the photograph if the reading window is still open" in answer
    assert bench.store.find(Photograph, point=POINT)


@pytest.mark.parametrize(("data", "fields"), [
    (b"no picture", {}), (b"", {}), (None, {"batch": "none-such"}), (None, {"point": "none-such"}),
    (None, {"dipped": "yesterday"}), (None, {"dipped": "2031-05-04T09:40:00+02:00"})])
def test_an_unusable_upload_is_rejected_completely(bench: Served, technician: Browser, samples: Path,
                                                   data: bytes | None,
                                              fields: dict[str, str]) -> None:
    """Each with a reason in words, and nothing of it in the store."""
    fresh = phone_photo(samples / "sites" / "tower-lobby.jpg", taken="2031:05:04 09:30:40").data
    before = kept(bench)
    answer = send(technician, fresh if data is None else data, **fields)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["title"]
    assert kept(bench) == before


def test_a_cut_upload_leaves_nothing(bench: Served, technician: Browser, photo: bytes) -> None:
    """The line goes dead in the middle of the body."""
    before, url = kept(bench), urlsplit(bench.url)
    request = technician.client.build_request("POST", "/take/original", params={"batch": BATCH}, headers={
        "origin": bench.url, "x-csrf-token": "0" * 128, "content-length": str(len(photo))})
    head = f"POST {request.url.raw_path.decode()} HTTP/1.1\r\n" + "".join(
        f"{k}: {v}\r\n" for k, v in request.headers.items()) + "\r\n"
    with socket.create_connection((url.hostname or "", url.port or 0)) as line:
        line.sendall(head.encode() + photo[: len(photo) // 2])
    time.sleep(0.3)
    assert kept(bench) == before
    assert technician.get("/health").status_code == 200


def test_the_location_is_available_only_to_permitted_roles(bench: Served, technician: Browser, photo: bytes) -> None:
    """The position (Exif 2.32, GPS IFD) is in what was received and in nothing that a page shows."""
    reading = reading_of(send(technician, photo))
    picture = technician.get(f"/readings/{reading}/picture")
    assert picture.headers["content-type"] == "image/jpeg"
    assert b"Exif" not in picture.content
    assert cv2.imdecode(np.frombuffer(picture.content, np.uint8), cv2.IMREAD_COLOR) is not None
    assert b"Exif" not in technician.get(f"/readings/{reading}/pads/hardness").content
    assert technician.get(f"/readings/{reading}/pads/none-such").status_code == 404
    assert technician.get(f"/readings/{reading}/original").status_code == 403
    original = bench.role("reviewer").get(f"/readings/{reading}/original")
    assert original.content == photo
    assert original.headers["content-disposition"].startswith("attachment")


def test_several_photographs_of_one_sample(technician: Browser, samples: Path) -> None:
    """Two at least; the page counts those that gave a value, and names the other with its reason."""
    own = [reading_of(send(technician, phone_photo(samples / f"{name}.jpg", taken="2031:05:04 09:30:40").data))
           for name in ("sites/mill-yard", "sites/harbour-kiosk", "faults/no-strip")]
    joined = technician.get("/together", params=[("reading", r) for r in own])
    assert joined.status_code == 200
    assert "Combined values from 2 of 3 photographs" in joined.text
    assert "Not used: IMG_1.jpg. " in joined.text
    assert technician.get("/together", params={"reading": own[0]}).status_code == 422


def test_labels_lead_to_the_right_place(technician: Browser) -> None:
    assert technician.get(f"/p?id={POINT}").headers["location"] == f"/take?point={POINT}"
    assert technician.get(f"/t?id={BATCH}").headers["location"] == f"/take?batch={BATCH}"
    stored = technician.get("/take/data").json()
    assert POINT in {p["id"] for p in stored["points"]}
    assert BATCH in {t["batch"] for t in stored["tubes"]}


def test_a_report_as_page_and_on_paper(bench: Served, technician: Browser, reviewer: Browser, photo: bytes,
                                       numbers: list[tuple[str, str, str]]) -> None:
    """Issued once and the same again; its text, read back by pypdfium2, contains the values; no position, no script."""
    reading = reading_of(send(technician, photo))
    page = reviewer.post(f"/readings/{reading}/report", form="page")
    paper = reviewer.post(f"/readings/{reading}/report", form="paper")
    assert page.status_code == paper.status_code == 200
    assert "sandbox" in page.headers["content-security-policy"]
    assert "script-src" not in page.headers["content-security-policy"]
    (issued,) = bench.store.find(IssuedReport, reading=reading)
    document = pypdfium2.PdfDocument(paper.content)
    text = " ".join(sheet.get_textpage().get_text_range() for sheet in document)
    pictures = [bytes(part.get_data(decode_simple=True)) for sheet in document for part in sheet.get_objects()
                if isinstance(part, pypdfium2.PdfImage)]
    document.close()
    for shown in (page.text, text):
        assert issued.id in shown
        assert all(value in shown for value, _, _ in some(numbers))
    assert [dict(Image.open(io.BytesIO(picture)).getexif()) for picture in pictures] == [{}, {}]
    assert reviewer.post(f"/readings/{reading}/report", form="papyrus").status_code == 422


def test_home_leads_to_what_was_last(technician: Browser, photo: bytes) -> None:
    reading = reading_of(send(technician, photo))
    home = technician.get("/").text
    assert f'href="/readings/{reading}"' in home
    assert technician.get("/schedule").status_code == 200


def test_the_history_names_who_did_what(bench: Served, photo: bytes) -> None:
    browser = bench.browser(bench.account("technician", name="Runa of the Quay"))
    reading = reading_of(send(browser, photo + b" "))
    page = browser.get(f"/readings/{reading}?details=all").text
    history = page[page.index('id="history"'):]
    assert "received" in history
    assert "Runa of the Quay" in history


def test_a_reading_outlives_its_photograph(bench: Served, technician: Browser, photo: bytes) -> None:
    """Once purged, it is shown nowhere, not even where it was shown before; the reading is."""
    reading = reading_of(send(technician, photo + b"  "))
    assert technician.get(f"/readings/{reading}/picture").status_code == 200
    photograph = bench.store.get(StoredReading, reading).photograph
    delete_photo(bench.store, photograph, by=bench.account("administrator"), why="a test")
    page = technician.get(f"/readings/{reading}")
    assert page.status_code == 200
    assert "The photograph has been purged" in page.text
    assert "total hardness" in page.text
    for path in ("picture", "pads/hardness"):
        assert technician.get(f"/readings/{reading}/{path}").status_code == 404


def test_the_location_of_the_store_is_not_disclosed(bench: Served, technician: Browser, photo: bytes) -> None:
    """Neither in what is refused, nor where the database itself fails: then the client is asked to retry."""
    refused = send(technician, photo + b"   ", batch="none-such")
    assert refused.status_code == 422
    assert "sqlite" not in refused.text
    with bench.store.engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE photographs RENAME TO mislaid")
    try:
        failed = send(technician, photo + b"   ")
    finally:
        with bench.store.engine.begin() as connection:
            connection.exec_driver_sql("ALTER TABLE mislaid RENAME TO photographs")
    assert failed.status_code == 503
    assert failed.headers["retry-after"]
    assert not re.search("sqlite|mislaid|photographs|Traceback", failed.text)
    assert send(technician, photo + b"   ").status_code == 200


def test_a_photograph_of_the_wrong_point_is_moved_on_its_page(bench: Served, technician: Browser,
                                                              samples: Path) -> None:
    """A reading at the right point supersedes it; where that cannot be, the page says why and nothing changes."""
    photo = phone_photo(samples / "sites" / "salt-quay.jpg", taken="2031:05:04 09:30:41").data
    old = reading_of(send(technician, photo))
    assert f"/readings/{old}/move" in technician.get(f"/readings/{old}/details").text
    head = bench.store.head()
    for fields, status in (({"point": "none-such", "why": "w"}, 422), ({"point": POINT, "why": "w"}, 422)):
        assert technician.post(f"/readings/{old}/move", **fields).status_code == status
    assert bench.store.head() == head
    account = bench.account("administrator")
    keep(bench.store, SamplingPoint(id="other tap", site="mill", place="mains", name="other tap"), by=account)
    answer = technician.post(f"/readings/{old}/move", site="Mill Yard & Co", point="other tap", why="The wrong label")
    assert answer.status_code == 303
    page = technician.get(answer.headers["location"], params={"details": "all"}).text
    assert "other tap" in page
    assert "The wrong label" in page
    assert "/move" not in technician.get(f"/readings/{old}/details").text
