"""The answer to a photograph: note, withdrawal and undo, a second strip, a photograph taken again."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page, expect

from stripread.store.models.evidence import Photograph, Review, StoredReading
from stripread.store.reading_query import ReadingFilter, readings

from .conftest import DIPPED, Served, picture, shoot, to_dip


def test_note_withdraw_and_undo(page: Page, bench: Served, account: str, samples: Path) -> None:
    to_dip(page)
    shoot(page, picture(samples))
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    page.get_by_text("Note, withdraw").click()
    page.get_by_label("Note", exact=True).fill("After the flush")
    page.get_by_role("button", name="Save note").click()
    expect(page.get_by_text("Note saved.")).to_be_visible()
    (photograph,) = bench.store.find(Photograph, account=account)
    assert photograph.note == "After the flush"
    page.get_by_label("Reason to withdraw").fill("Wrong tap")
    page.get_by_role("button", name="Withdraw").click()
    expect(page.get_by_text("Reading withdrawn.")).to_be_visible()
    page.reload()
    expect(page.get_by_text("Reading withdrawn.")).to_be_visible()
    (reading,) = bench.store.find(StoredReading, photograph=photograph.id)
    assert standing(bench, reading.id) == "rejected"
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_text("Reading restored.")).to_be_visible()
    expect(page.get_by_text("Reading withdrawn.")).to_be_hidden()
    assert standing(bench, reading.id) == "unreviewed"
    (withdrawal,) = (r for r in bench.store.find(Review, reading=reading.id) if r.decision == "reading-withdrawn")
    assert withdrawal.why == "Wrong tap"
    other = bench.role("technician")
    assert other.post(f"/readings/{reading.id}/withdraw", why="Not mine").status_code == 422


def standing(bench: Served, reading: str) -> str:
    return next(r.reviewed for r in readings(bench.store, ReadingFilter()) if r.id == reading)


def test_two_strips_without_a_connection(page: Page, samples: Path) -> None:
    """The latest photograph is first and open, earlier ones are folded, before and after their results arrive."""
    to_dip(page)
    shoot(page, picture(samples))
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    page.context.set_offline(True)
    shoot(page, picture(samples, "harbour-kiosk"))
    boxes = page.locator("#answers > details")
    expect(boxes).to_have_count(2)
    expect(boxes.first).to_contain_text("stored on this phone and sent when you are online")
    expect(boxes.first).to_have_attribute("open", "")
    expect(boxes.nth(1)).not_to_have_attribute("open", "")
    page.reload()
    expect(boxes.first).to_contain_text("Stored on this phone, waiting to be sent.")
    page.context.set_offline(False)
    expect(boxes.first.get_by_role("link", name="Show full reading")).to_be_visible()
    expect(boxes.nth(1)).not_to_have_attribute("open", "")
    expect(page.get_by_role("link", name="Combine the readings")).to_be_visible()


def test_a_strip_photographed_again_keeps_its_time(page: Page, samples: Path) -> None:
    """No strip: Retake is the main button, and the timer goes on; when it is too late, Dip again is."""
    page.clock.install(time=DIPPED)
    to_dip(page)
    page.get_by_role("button", name="Dipped").click()
    page.clock.fast_forward(40_000)
    shoot(page, picture(samples, "../faults/no-strip"))
    expect(page.get_by_role("button", name="Retake")).to_have_class("btn go")
    page.get_by_role("button", name="Retake").click()
    expect(page.get_by_role("status")).to_have_text("Photograph now")
    page.clock.fast_forward(60_000)
    expect(page.get_by_role("status")).to_have_text("Too late for this strip")
    expect(page.locator("#shoot").get_by_role("button", name="Dip again")).to_have_class("btn go")
    page.locator("#shoot").get_by_role("button", name="Dip again").click()
    expect(page.get_by_role("status")).to_have_text("Wait")
    expect(page.locator("#shoot").get_by_role("button", name="Dip again")).to_have_count(0)
