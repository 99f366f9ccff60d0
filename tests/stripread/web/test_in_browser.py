"""The pages in a real browser, on a phone and on a desk: taken by hand, by keyboard, without a signal, read aloud."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, Route, expect

from stripread.store.accounts import list_accounts
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import ROLES
from stripread.store.models.evidence import Photograph, StoredReading
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import (
    BATCH,
    DESK,
    DIPPED,
    PASSWORD,
    PHONE,
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


@pytest.mark.parametrize("device", [PHONE, DESK])
def test_from_the_first_run_to_the_first_reading(device: str, bench: Served, open_page: Open, tmp_path: Path,
                                                 samples: Path) -> None:
    """As a new user: the code of the terminal, an account, in again; a reading, its verdict, its page."""
    with serving(store_in(tmp_path), bench.app.workers) as fresh:
        page = open_page(fresh, device)
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
    page = open_page(bench, device, account=bench.account("technician"))
    page.clock.install(time=DIPPED)
    page.goto("/take")
    page.get_by_label("Site, sampling point or ID").fill("yard")
    page.get_by_role("button", name="Mill Yard & Co").first.click()
    page.get_by_role("button", name="samples").click()
    # The chart is a draft: said before the strip is dipped.
    expect(page.get_by_text("A reading on it is flagged.")).to_be_visible()
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


def test_the_timer_says_when_it_is_too_late(bench: Served, open_page: Open) -> None:
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


def test_nothing_is_lost_without_a_signal(bench: Served, open_page: Open, samples: Path) -> None:
    """No signal, the page closed, another opened once there is one: sent, read, one record."""
    account = bench.account("technician")
    page = open_page(bench, account=account)
    to_dip(page)
    page.context.set_offline(True)
    shoot(page, picture(samples, "harbour-kiosk"))
    expect(page.get_by_text("The result then appears here")).to_be_visible()
    expect(page.locator("#queue-state")).to_have_text("Offline · 1 waiting")
    assert not bench.store.find(Photograph, account=account)
    page.close()
    other = page.context.new_page()
    other.context.set_offline(False)
    other.goto("/")
    expect(other.get_by_role("link", name="Show full reading")).to_be_visible()
    expect(other.locator("#queue-state")).to_have_text("All sent")
    assert len(bench.store.find(Photograph, account=account)) == 1


@pytest.mark.parametrize("lost", ["request", "answer"])
def test_what_got_no_answer_is_sent_again(lost: str, bench: Served, open_page: Open, samples: Path) -> None:
    """The line goes dead before the server has it, or after: then it has it twice, and keeps it once."""
    account, name = bench.account("technician"), "old-cellar" if lost == "request" else "orchard-gate"
    failures = [lost]

    def faulty(route: Route) -> None:
        if not failures:
            route.continue_()
            return
        if failures.pop() == "answer":
            route.fetch()
        route.abort("connectionreset")

    page = open_page(bench, account=account)
    page.route("**/take/original?*", faulty)
    to_dip(page)
    shoot(page, picture(samples, name))
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    (photograph,) = bench.store.find(Photograph, account=account)
    assert len(bench.store.find(StoredReading, photograph=photograph.id)) == 1
    assert not verify_store(bench.store).wrong


def test_a_session_that_ended_loses_nothing(bench: Served, open_page: Open, samples: Path) -> None:
    account = bench.account("technician")
    page = open_page(bench, account=account)
    to_dip(page)
    cookies = page.context.cookies()
    page.context.clear_cookies()
    shoot(page, picture(samples, "tower-lobby"))
    expect(page.locator("#queue-state")).to_have_text("Sign in · 1 waiting")
    page.context.add_cookies([{"name": c["name"], "value": c["value"], "url": bench.url} for c in cookies])
    page.reload()
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()


def test_what_the_server_refuses_stays_until_it_is_discarded(bench: Served, open_page: Open, samples: Path) -> None:
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
    reading = bench.store.find(StoredReading)[0].id
    return ["/", "/take", "/queue", TAKE, f"/readings/{reading}", "/readings",
            f"/review/{reading}", f"/review/{reading}/locate", "/sites", "/sites/map", "/sites/mill",
            "/batches", f"/batches/{BATCH}", f"/batches/{BATCH}/standards", f"/batches/{BATCH}/impact", "/cards",
            "/system", "/decisions", "/help", "/integration", "/me", "/accounts", "/schedule", "/labels", "/none-such"]


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
    found = []
    for scheme, options in (("light", None), ("dark", {"runOnly": ["color-contrast"]})):
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        found += [(f"{scheme} {v['id']}", [n["target"] for n in v["nodes"]][:3])
                  for v in Axe().run(page, options=options).response["violations"]]
    page.emulate_media(color_scheme="light")
    return found


#: Pages of all roles beyond those of `pages_of`.
OTHERS = ("/values", f"/values?point={POINT}", "/commissioning", "/sites/import", "/sites/intervals", "/sites/assign",
          "/reports", "/help/technician")


def test_nothing_hinders_those_who_see_or_hear_it_otherwise(furnished: Served, open_page: Open) -> None:
    """On any page, in light and dark."""
    found = {}
    stranger, inside = open_page(furnished), open_page(furnished, account=furnished.account(*ROLES))
    for page, addresses in ((stranger, ["/sign-in"]), (inside, [*pages_of(furnished), *OTHERS])):
        for address in addresses:
            see(page, address)
            found[address] = violations(page)
    assert not {address: wrong for address, wrong in found.items() if wrong}


def test_nothing_hinders_on_any_step_of_a_reading(furnished: Served, open_page: Open, samples: Path) -> None:
    """Point, tube, sample, dip, the running timer, and the answer with its result."""
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
    assert not {step: wrong for step, wrong in found.items() if wrong}


@pytest.mark.parametrize("width", [320, 640])
def test_nothing_reaches_beyond_the_screen(width: int, furnished: Served, open_page: Open) -> None:
    """A small phone, and a desk at 200 % (WCAG 2.2, 1.4.10 and 1.4.4)."""
    page = open_page(furnished, DESK, account=furnished.account(*ROLES), viewport={"width": width, "height": 700})
    needed = {}
    for address in pages_of(furnished):
        see(page, address)
        needed[address] = page.evaluate("document.documentElement.scrollWidth")
    assert not {address: n for address, n in needed.items() if n > width}


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
    assert all(outline != "none" for name, outline in seen if name in ("dipped", "Camera app"))
    expect(page.get_by_role("status")).to_have_text("Wait")
