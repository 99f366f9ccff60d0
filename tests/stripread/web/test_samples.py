"""Several samples on one phone: two points one after the other, in two tabs, and after the page was closed."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.sites import SamplingPoint, Site

from .conftest import BATCH, DIPPED, Open, Served, picture, shoot

TAP, OUTLET = "quay-tap", "quay-outlet"


@pytest.fixture(scope="module")
def quay(bench: Served) -> Served:
    """The server, with a site of two sampling points."""
    with bench.store.writing(bench.account("technician")) as work:
        work.put(Site(id="quay", name="Quay House"), "made")
        work.put(SamplingPoint(id=TAP, site="quay", place="mains", name="kitchen tap"), "made")
        work.put(SamplingPoint(id=OUTLET, site="quay", place="after treatment", name="outlet"), "made")
    return bench


def to_dip(page: Page, point: str) -> None:
    page.goto(f"/take?point={point}&batch={BATCH}")
    page.get_by_role("button", name="Use this tube anyway").click()
    page.get_by_role("button", name="The sample is cool").click()


def test_two_tabs_at_two_points(quay: Served, open_page: Open, samples: Path) -> None:
    """Each has its own timer, which survives a reload, and its own answer; a retake supersedes its own reading."""
    account = quay.account("technician")
    one = open_page(quay, account=account)
    one.context.clock.set_fixed_time(DIPPED)
    two = one.context.new_page()
    for page, point in ((one, TAP), (two, OUTLET)):
        to_dip(page, point)
        page.get_by_role("button", name="Dipped").click()
    for page in (one, two):
        page.reload()
        expect(page.get_by_role("status")).to_have_text("Wait")
    for page in (one, two):
        shoot(page, picture(samples))
        expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    expect(one.locator("#answers > details")).to_have_count(1)
    expect(one.get_by_role("link", name="Combine the readings")).to_be_hidden()
    one.get_by_role("button", name="Retake").click()
    shoot(one, picture(samples, "harbour-kiosk"))
    expect(one.get_by_role("link", name="Show full reading")).to_be_visible()
    (superseded,) = [r.supersedes for r in quay.store.find(StoredReading) if r.supersedes and r.account == account]
    (of,) = quay.store.find(Photograph, id=quay.store.get(StoredReading, superseded).photograph)
    assert of.point == TAP


def test_the_next_point_of_the_site_takes_one_tap(quay: Served, open_page: Open, samples: Path) -> None:
    """With the same tube; the answer to the point before is dismissed."""
    page = open_page(quay, account=quay.account("technician"))
    to_dip(page, TAP)
    shoot(page, picture(samples))
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    page.get_by_role("button", name="Quay House outlet").click()
    expect(page.get_by_role("heading", name="Draw the sample")).to_be_visible()
    expect(page.locator("#about")).to_have_text(f"Quay House, outlet · {BATCH}")
    page.get_by_role("button", name="The sample is cool").click()
    shoot(page, picture(samples, "harbour-kiosk"))
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    expect(page.locator("#answers > details")).to_have_count(1)
    page.goto("/")
    expect(page.locator("#outbox").get_by_text("Quay House, kitchen tap")).to_be_hidden()


def test_a_timer_goes_on_after_the_page_was_closed(quay: Served, open_page: Open) -> None:
    """The phone has dropped the page: another one offers to continue."""
    page = open_page(quay, account=quay.account("technician"))
    to_dip(page, OUTLET)
    page.get_by_role("button", name="Dipped").click()
    context = page.context
    page.close()
    page = context.new_page()
    page.goto("/take")
    expect(page.get_by_text("The timer runs: Quay House, outlet")).to_be_visible()
    page.get_by_role("button", name="Continue").click()
    expect(page.get_by_role("status")).to_have_text("Wait")
    expect(page.locator("#about")).to_have_text(f"Quay House, outlet · {BATCH}")
