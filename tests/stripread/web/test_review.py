"""Review on the pages: 50 readings by the keyboard alone, decisions and their withdrawal, two reviewers, location."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from playwright.sync_api import Page, expect

from calibration.chart import Chart
from shared.notation import Notation
from stripread.store import sessions, sign_ins
from stripread.store.models.evidence import Correction, Review, StoredReading
from stripread.store.reading_query import ReadingFilter, count_readings
from stripread.store.settings import ReviewPolicy
from stripread.web.worker import Workers
from tests.loops import some
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import BATCH, DESK, POINT, Open, Served, serving, store_in
from .records import HOSTILE, SOFT, Material, fill, put_reading

N = 50


@pytest.fixture(scope="module")
def waiting(tmp_path_factory: pytest.TempPathFactory, workers: Workers, sample_chart: Chart) -> Iterator[Served]:
    """A server with 50 readings of one point that all wait for review."""
    store = store_in(tmp_path_factory.mktemp("store"), ReviewPolicy(share=1.0))
    with serving(store, workers) as running:
        account = running.account("technician")
        fill(store, account, sample_chart)
        material = Material(store, account, msgspec.structs.replace(sample_chart, batch="A"))
        for k in range(N - count_readings(store, ReadingFilter())):
            put_reading(material, f"many {k}", "quay-tap", SOFT, days_ago=1)
        running.app.code = ""
        yield running


def decisions(served: Served, account: str) -> list[str]:
    return [r.decision for r in served.store.find(Review, account=account)]


def test_fifty_readings_by_the_keyboard_alone(waiting: Served, open_page: Open) -> None:
    """A, R with a reason, C, S, U; the next reading opens by itself; none is decided twice, none is left."""
    account = waiting.account("reviewer")
    page = open_page(waiting, DESK, account=account)
    page.goto("/review")
    seen = set()
    for n in range(N):
        seen.add(page.url.partition("?")[0])
        if n % 10 == 4:
            _reject(page, "The strip lay on its side.")
        else:
            _press(page, "a")
    expect(page.get_by_text("No reading waits for review.")).to_be_visible()
    assert len(seen) == N
    assert sorted(decisions(waiting, account)) == ["accepted"] * 45 + ["rejected"] * 5
    _press(page, "u")
    expect(page.get_by_role("status")).to_have_text("Decision withdrawn.")
    expect(page.get_by_text("accepted")).to_have_count(0)
    expect(page.locator(".filters")).not_to_have_attribute("open", "")
    page.keyboard.press("c")
    page.keyboard.press("Tab")
    page.keyboard.type("61.5")
    page.keyboard.press("Tab")
    page.keyboard.type("4")
    page.keyboard.press("Tab")
    page.keyboard.type("By eye against the tube.")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    (correction,) = waiting.store.find(Correction)
    assert (correction.estimate.value, correction.estimate.low, correction.estimate.high) == (61.5, 57.5, 65.5)
    _press(page, "a")
    expect(page.get_by_text("No reading waits for review.")).to_be_visible()


def _press(page: Page, key: str) -> None:
    with page.expect_navigation():
        page.keyboard.press(key)


def _reject(page: Page, why: str) -> None:
    page.keyboard.press("r")
    page.keyboard.type("strip")
    page.keyboard.press("Tab")
    page.keyboard.type(why)
    with page.expect_navigation():
        page.keyboard.press("Enter")


def test_a_rejection_needs_a_reason(stocked: Served) -> None:
    reviewer = stocked.role("reviewer")
    answer = reviewer.post("/review/quay-2/reject", fault="picture", why="  ")
    assert answer.status_code == 422
    assert "a reason is required" in answer.text
    assert reviewer.post("/review/quay-2/reject", fault="splendid", why="x").status_code == 422
    assert not stocked.store.find(Review, reading="quay-2")


def test_a_correction_is_in_the_reviewers_unit(stocked: Served) -> None:
    """10 °dH are 178.48 mg/L CaCO3 (10 mg CaO/L by molar masses, from memory)."""
    account = stocked.account("reviewer")
    sign_ins.set_preferences(stocked.store, account, Notation(unit="°dH", comma=True))
    reviewer = stocked.browser(account)
    for value, u in (("much", "1"), ("-900", "1"), ("", "")):
        answer = reviewer.post("/review/quay-2/correct", analyte="hardness", value=value, uncertainty=u, why="seen")
        assert answer.status_code == 422
    reviewer.post("/review/quay-2/correct", analyte="hardness", value="10,0", uncertainty="1", why="by eye")
    (correction,) = stocked.store.find(Correction, reading="quay-2")
    assert correction.estimate.value == pytest.approx(178.48, rel=1e-4)
    assert correction.estimate.unit == "mg/L CaCO3"


def test_two_reviewers(served: Served, sample_chart: Chart) -> None:
    """One decision waits for the second; where they disagree both are shown."""
    served.store.review = ReviewPolicy(two_reviewers=True, share=1.0)
    fill(served.store, served.account("technician"), sample_chart)
    first, second = served.browser(served.account("reviewer", name="Ruth")), served.role("reviewer")
    first.post("/review/quay-2/accept")
    text = second.get("/review/quay-2?reason=waiting").text
    assert "Ruth: accepted" in text
    assert "a second decision is required" in text
    second.post("/review/quay-2/reject", fault="value", why="Contradicts the meter.")
    assert "The reviewers disagree." in first.get("/review/quay-2").text


def test_a_decision_made_meanwhile_is_not_replaced_unseen(stocked: Served) -> None:
    """Two reviewers open a reading; the second sees the first decision, and replaces it by sending theirs again."""
    first, second = stocked.role("reviewer"), stocked.role("reviewer")

    def seen(text: str) -> str:
        (found,) = set(re.findall(r'name="seen" value="([^"]*)"', text))
        return str(found)

    opened = seen(second.get("/review/long-2").text)
    assert first.post("/review/long-2/accept", seen=opened).status_code == 303
    refused = second.post("/review/long-2/reject", seen=opened, fault="water", why="wrong tap")
    assert (refused.status_code, "Another reviewer has decided" in refused.text) == (409, True)
    assert [r.decision for r in stocked.store.find(Review, reading="long-2")] == ["accepted"]
    again = second.post("/review/long-2/reject", seen=seen(refused.text), fault="water", why="wrong tap")
    assert again.status_code == 303
    secret = sessions.make_token(stocked.store, stocked.account("reviewer"), "a program", ("review",))
    program = stocked.browser(authorization=f"Bearer {secret}", accept="application/json").client
    answer = program.post("/api/review/long-2/accept", json={})
    assert (answer.status_code, "another account has rejected this reading" in answer.json()["title"]) == (409, True)
    (last,) = (r.id for r in stocked.store.find(Review, reading="long-2") if r.decision == "rejected")
    assert last in answer.json()["detail"]
    assert program.post("/api/review/long-2/accept", json={"seen": last}).status_code == 200


def test_the_queue_keeps_its_filters(stocked: Served) -> None:
    reviewer = stocked.role("reviewer")
    answer = reviewer.get("/review", params={"search": "no such thing"})
    assert "matches these filters" in answer.text
    found = reviewer.get("/review", params={"group": "south", "reason": "refused", "format": "csv"}).text
    assert set(re.findall(r"^(\S+?),", found, re.MULTILINE)) == {"reading", "hostile-1", "long-1"}
    to = reviewer.get("/review", params={"group": "south", "reason": "refused"}).headers["location"]
    assert to.endswith("?reason=refused&group=south")
    text = reviewer.get(to).text
    assert HOSTILE not in text
    assert "group=south" in text


def test_a_card_located_by_hand(bench: Served, samples: Path) -> None:
    """Corners as found: the new reading supersedes the old one, with the same values; then compared."""
    technician = bench.role("technician")
    data = phone_photo(samples / "sites" / "mill-yard.jpg", taken="2031:05:04 09:30:40").data + b"located"
    answer = technician.send("POST", "/take/original", params={"batch": BATCH, "point": POINT}, content=data)
    (reading,) = re.findall(r'data-reading="([^"]+)"', answer.text)
    reviewer = bench.role("reviewer")
    page = reviewer.get(f"/review/{reading}/locate").text
    (corners,) = re.findall(r'name="corners" value="([^"]+)"', page)
    for wrong in ({"corners": "1,2 3,4", "use-corners": "yes", "why": "x"}, {"corners": corners, "why": "x"},
                  {"corners": corners, "use-corners": "yes", "why": " "}):
        assert reviewer.post(f"/review/{reading}/locate", **wrong).status_code == 422
    given = {"corners": corners, "use-corners": "yes", "why": "Marker hidden."}
    done = reviewer.post(f"/review/{reading}/locate", **given)
    assert done.status_code == 303
    new = bench.store.get(StoredReading, done.headers["location"].rpartition("/")[2])
    assert new.supersedes == reading
    old = bench.store.get(StoredReading, reading)
    for before, after in zip(some(old.reading.pads), new.reading.pads, strict=True):
        assert before.low is not None
        assert before.high is not None
        assert after.value is not None
        assert before.low <= after.value <= before.high
    assert "Not evaluated again" in reviewer.get(f"/readings/{new.id}/re-evaluate").text
