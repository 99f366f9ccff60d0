"""The pages in a real browser, on a phone and on a desk: taken by hand, by keyboard, without a signal, read aloud."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Page, Route, expect

from stripread.store.accounts import list_accounts
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import ROLES
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.sites import SamplingPoint
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import (
    BATCH,
    DESK,
    DIPPED,
    PASSWORD,
    POINT,
    TAKE,
    TAKEN,
    Open,
    Served,
    picture,
    serving,
    shoot,
    store_in,
    to_dip,
)


def test_from_the_first_run_to_the_first_reading(bench: Served, open_page: Open, tmp_path: Path,
                                                 samples: Path) -> None:
    """On a desk the code of the terminal, an account, in again; on a phone a reading, its verdict, its page."""
    with serving(store_in(tmp_path), bench.app.workers) as fresh:
        page = open_page(fresh, DESK)
        page.goto("/")
        page.get_by_label("Setup code").fill(fresh.app.code)
        page.get_by_label("Your name").fill("Ines of the Mill")
        page.get_by_label("Sign-in name").fill("ines")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Create account").click()
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        page.get_by_role("button", name="Sign out").click()
        page.get_by_label("Sign-in name").fill("ines")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_role("link", name="Take", exact=True).first.click()
        page.get_by_role("button", name="Trial reading").click()
        expect(page.get_by_text("No strip batch has a calibration chart yet")).to_be_visible()
    page = open_page(bench, account=bench.account("technician"))
    page.clock.install(time=DIPPED)
    page.goto("/take")
    page.get_by_label("Site, sampling point or ID").fill("yard")
    page.get_by_role("button", name="Mill Yard & Co").first.click()
    page.get_by_role("button", name="samples").click()
    # The chart is a draft: said before the strip is dipped.
    expect(page.get_by_text("Readings with this tube are flagged.")).to_be_visible()
    page.get_by_role("button", name="Use this tube anyway").click()
    page.get_by_role("button", name="The sample is cool").click()
    page.get_by_role("button", name="Dipped").click()
    expect(page.get_by_role("status")).to_have_text("Wait")
    page.clock.fast_forward(31_000)
    expect(page.get_by_role("status")).to_have_text("Photograph now")
    shoot(page, picture(samples))
    whole = page.get_by_role("link", name="Show full reading")
    expect(whole).to_be_visible()
    whole.click()
    expect(page.get_by_text(re.compile("Install .* filtration")).first).to_be_visible()
    expect(page.get_by_role("img", name=re.compile("turned upright, with the card"))).to_be_visible()
    expect(page.get_by_role("img", name=re.compile("total hardness: .* limits 40 to 90")).first).to_be_visible()
    page.wait_for_load_state("networkidle")
    assert page.evaluate("[...document.images].every((i) => i.complete && i.naturalWidth > 0)")


def test_the_timer_shows_when_it_is_too_late(bench: Served, open_page: Open) -> None:
    """30 and 90 s are the sample strip's reading time (shared/data/strip.json)."""
    page = open_page(bench, account=bench.account("technician"))
    page.clock.install(time=DIPPED)
    to_dip(page)
    start = DIPPED + dt.timedelta(minutes=5)
    page.clock.pause_at(start)
    page.get_by_role("button", name="Dipped").click()
    for seconds, words in ((29, "Wait"), (31, "Photograph now"), (89, "Photograph now"), (91, "Too late")):
        page.clock.pause_at(start + dt.timedelta(seconds=seconds))
        expect(page.get_by_role("status")).to_contain_text(words)


def test_what_got_no_answer_is_sent_again(bench: Served, open_page: Open, samples: Path) -> None:
    """The line goes dead after the server has it: it gets it twice, and stores it once."""
    account, failures = bench.account("technician"), ["answer"]

    def faulty(route: Route) -> None:
        if not failures:
            route.continue_()
            return
        failures.pop()
        route.fetch()
        route.abort("connectionreset")

    page = open_page(bench, account=account)
    page.route("**/take/original?*", faulty)
    to_dip(page)
    shoot(page, picture(samples, "orchard-gate"))
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    (photograph,) = bench.store.find(Photograph, account=account)
    assert len(bench.store.find(StoredReading, photograph=photograph.id)) == 1
    assert not verify_store(bench.store).wrong


def test_rejected_uploads_remain_until_discarded(bench: Served, open_page: Open, samples: Path) -> None:
    """A dip of today and a photograph of another day; without the dip it is taken."""
    page = open_page(bench, account=bench.account("technician"))
    to_dip(page)
    page.get_by_role("button", name="Dipped").click()
    shoot(page, picture(samples, "north-platform"))
    expect(page.get_by_text("does not belong to this photograph").first).to_be_visible()
    page.goto("/queue")
    page.get_by_role("button", name="Send without the dipping time").click()
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()


def pages_of(bench: Served) -> list[str]:
    """Return an address of each template."""
    reading = bench.store.find(StoredReading)[0].id
    values = f"/values?point={POINT}"
    return ["/", "/take", "/queue", TAKE, f"/readings/{reading}", f"/readings/{reading}/re-evaluate", "/readings",
            f"/review/{reading}", f"/review/{reading}/locate", "/re-evaluation", "/sites", "/sites/map", "/sites/mill",
            "/sites/import", "/sites/intervals", "/sites/assign", "/sites/limits", "/batches", f"/batches/{BATCH}",
            f"/batches/{BATCH}/standards", f"/batches/{BATCH}/impact", "/cards", "/system", "/decisions", "/help",
            "/help/technician", "/integration", "/me", "/accounts", "/schedule", "/labels", "/reports",
            "/commissioning", "/values", values, f"{values}&method=meter", "/none-such"]


def see(page: Page, address: str) -> None:
    """Open a page, which must be there, or say that it is not."""
    answer = page.goto(address)
    assert answer is not None
    assert answer.status == (404 if address == "/none-such" else 200)


@pytest.fixture(scope="module")
def furnished(bench: Served, samples: Path) -> Served:
    """With a reading to be seen."""
    photo = phone_photo(samples / "sites" / "mill-yard.jpg", taken=TAKEN, place=True).data
    person = bench.browser(bench.account("technician"))
    answer = person.send("POST", "/take/original", params={"batch": BATCH, "point": POINT}, content=photo)
    assert answer.status_code == 200
    return bench


def violations(page: Page) -> list[tuple[str, list[str]]]:
    """What axe-core (WCAG 2.2 A and AA and its own practices) finds; the dark scheme can differ in contrast only."""
    for summary in page.locator("summary").all():
        summary.evaluate("s => s.parentElement.open = true")
    page.evaluate(AXE_SCRIPT)
    found = []
    for scheme, options in (("light", {}), ("dark", {"runOnly": ["color-contrast"]})):
        page.set_viewport_size({"width": 390 if scheme == "light" else 1440, "height": 844})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        result = page.evaluate("options => axe.run(document, options)", {"resultTypes": ["violations"], **options})
        found += [(f"{scheme} {v['id']}", [n["target"] for n in v["nodes"]][:3]) for v in result["violations"]]
    page.emulate_media(color_scheme="light")
    return found


def dragged(page: Page) -> float:
    """Drag a pad by 40 px to the right; return how far it moved in the photograph, in its pixels."""
    def places() -> dict[str, float]:
        return {name: float(at.partition(",")[0]) for name, at in
                (pad.split("=") for pad in page.locator("#pads").input_value().split())}

    before = places()
    box = page.locator(".handle[data-name=ph] circle").first.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2 + 5, box["y"] + box["height"] / 2 + 5
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 40, y, steps=4)
    page.mouse.up()
    after = places()
    assert [name for name, at in after.items() if at != before[name]] == ["ph"]
    return after["ph"] - before["ph"]


def test_a_pad_is_located_by_dragging(furnished: Served, open_page: Open) -> None:
    """Only the pad that is dragged moves; enlarged four times, by a quarter of the distance."""
    page = open_page(furnished, DESK, account=furnished.account("reviewer"))
    page.goto(f"/review/{furnished.store.find(StoredReading)[0].id}/locate")
    whole = dragged(page)
    page.get_by_role("button", name="Zoom").click()
    assert whole > 0
    assert dragged(page) == pytest.approx(whole / 4, rel=0.05)


#: A small phone, a phone, a desk at 200 % (WCAG 2.2, 1.4.10 and 1.4.4), a small and a large desk.
WIDTHS = (320, 390, 640, 1000, 1440)


def beyond(page: Page) -> list[tuple[str, list[str]]]:
    """The widths of the screen that the page does not fit."""
    found = []
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 844})
        if (needed := page.evaluate("document.documentElement.scrollWidth")) > width:
            found.append((f"{width} px", [str(needed)]))
    return found


def test_pages_have_no_accessibility_violations(furnished: Served, open_page: Open) -> None:
    """Any page: in light as on a phone and in dark as on a desk; nothing reaches beyond a screen."""
    found = {}
    stranger, inside = open_page(furnished, DESK), open_page(furnished, DESK, account=furnished.account(*ROLES))
    for page, addresses in ((stranger, ["/sign-in"]), (inside, pages_of(furnished))):
        for address in addresses:
            see(page, address)
            found[address] = [*beyond(page), *violations(page)]
    assert not {address: wrong for address, wrong in found.items() if wrong}


def test_no_step_of_a_reading_has_accessibility_violations(furnished: Served, open_page: Open, samples: Path) -> None:
    """Point, tube, sample, dip, the running timer, the answer with its result, and that to typed values."""
    page, found = open_page(furnished, account=furnished.account("technician")), {}
    page.goto("/take?point=" + POINT)
    expect(page.get_by_role("button", name="samples")).to_be_visible()
    found["tube"] = violations(page)
    page.get_by_role("button", name="samples").click()
    page.get_by_role("button", name="Use this tube anyway").click()
    found["sample"] = violations(page)
    page.get_by_role("button", name="The sample is cool").click()
    page.get_by_role("button", name="Dipped").click()
    found["timer"] = violations(page)
    # The photograph is older than this dip.
    page.evaluate("localStorage.clear()")
    to_dip(page)
    shoot(page, picture(samples))
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    found["answer"] = violations(page)
    page.goto(f"/values?point={POINT}&method=titration")
    page.get_by_label("Total hardness").first.fill("68")
    page.get_by_role("button", name="Check").click()
    page.get_by_role("button", name="Store").click()
    expect(page.get_by_text("Values stored: 1.")).to_be_visible()
    found["typed values"] = violations(page)
    assert not {step: wrong for step, wrong in found.items() if wrong}


def test_by_keyboard_alone(furnished: Served, open_page: Open) -> None:
    """Signed in, the skip link first, a point chosen, the timer started, the camera's button reached; focus is seen."""
    furnished.app.code = ""
    account = furnished.account("technician")
    page = open_page(furnished, DESK)
    page.goto("/sign-in")
    sign_in = next(p.sign_in for p in list_accounts(furnished.store) if p.account == account)
    page.get_by_label("Sign-in name").focus()
    page.keyboard.type(sign_in or "")
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to content"
    to_dip(page)
    seen = []
    for _ in range(20):
        page.keyboard.press("Tab")
        seen.append(page.evaluate("""() => {
            const e = document.activeElement, shown = e.closest('.btn') ?? e;
            return [e.id || e.parentElement.textContent.trim(), getComputedStyle(shown).outlineStyle]; }"""))
        if seen[-1][0] == "dipped":
            page.keyboard.press("Enter")
            break
    names = [name for name, _ in seen]
    assert "Camera app" in names
    assert "dipped" in names
    assert "none" not in {outline for name, outline in seen if name in ("dipped", "Camera app")}
    expect(page.get_by_role("status")).to_have_text("Wait")


def test_all_points_that_are_shown_are_selected(furnished: Served, open_page: Open) -> None:
    """One interval for the points that match a search; those that do not stay as they are."""
    account = furnished.account("manager")
    with furnished.store.writing(account) as work:
        work.put(SamplingPoint(id="mill-out", site="mill", place="after treatment", name="outlet"), "made")
    page = open_page(furnished, DESK, account=account)
    page.goto("/sites/intervals")
    page.get_by_role("searchbox").fill("mill outlet")
    page.get_by_label("Select all shown").check()
    expect(page.get_by_text("1 of 2 selected")).to_be_visible()
    page.get_by_label("Days between tests").fill("21")
    page.get_by_role("button", name="Show the changes").click()
    page.get_by_role("button", name="Set intervals").click()
    page.wait_for_url("**/schedule")
    assert {p.id: p.every_days for p in furnished.store.find(SamplingPoint)} == {POINT: None, "mill-out": 21}
