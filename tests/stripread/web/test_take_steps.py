"""The steps of taking a reading on a phone: offline from the first screen on, and what can go wrong at each."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import msgspec
import pytest
from playwright.sync_api import Dialog, Page, Route, expect

from calibration.chart import Chart
from stripread.intake.materials_import import register_chart
from stripread.intake.qualification import withdraw_chart
from stripread.store.models.evidence import Photograph
from stripread.store.models.sites import SamplingPoint, Site

from .conftest import BATCH, POINT, Served, picture, shoot, to_dip

#: Resolves when the service worker has stored all pages and the data, and is active.
STORED = """async () => {
    const stored = async () => (await (await caches.open("pages")).keys()).length === 5;
    while (!await stored() || navigator.serviceWorker.controller?.state !== "activated")
        await new Promise((done) => { setTimeout(done, 100); });
}"""


def open_once(page: Page) -> None:
    """Opens one page with a connection until the phone has stored pages and data; then the connection is lost."""
    page.goto("/")
    page.evaluate(STORED)
    page.context.set_offline(True)


def problem(page: Page, text: str) -> None:
    expect(page.locator("#problem")).to_contain_text(text)


def test_the_whole_task_without_a_connection(page: Page, bench: Served, account: str, samples: Path) -> None:
    """Only Today opened with a connection; then each page, each step, a reload without one; sent when it returns."""
    open_once(page)
    page.goto("/take")
    page.get_by_role("button", name="Mill Yard & Co").first.click()
    page.get_by_role("button", name=BATCH).click()
    page.get_by_role("button", name="Use this tube anyway").click()
    page.reload()
    page.get_by_role("button", name="The sample is cool").click()
    shoot(page, picture(samples))
    expect(page.locator("#queue-state")).to_have_text("Offline · 1 waiting")
    page.goto("/queue")
    expect(page.get_by_role("button", name="Export")).to_be_visible()
    page.goto("/sites/none-such")
    expect(page.get_by_role("heading", name="Queue")).to_be_visible()
    page.context.set_offline(False)
    page.goto("/")
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    assert len(bench.store.find(Photograph, account=account, point=POINT)) == 1


def test_a_phone_that_another_account_takes_over(page: Page, bench: Served) -> None:
    """What was stored for the first account is replaced by what the second may see."""
    open_once(page)
    page.context.set_offline(False)
    page.context.clear_cookies()
    second = bench.account("technician")
    page.context.add_cookies([{"name": "session", "value": bench.browser(second).secret, "url": bench.url}])
    page.goto("/sites")
    page.evaluate(STORED)
    page.context.set_offline(True)
    page.goto("/take")
    assert page.locator("meta[name=account]").get_attribute("content") == second
    expect(page.get_by_role("button", name="Mill Yard & Co").first).to_be_visible()


def test_labels_open_without_a_connection(page: Page) -> None:
    """Scanned with the phone's camera app: a point and a batch that are stored, and a tube that is not."""
    open_once(page)
    page.goto("/t?id=opened-today")
    problem(page, 'No sampling point or tube "opened-today"')
    page.goto(f"/t?id={BATCH}")
    page.goto(f"/p?id={POINT}")
    expect(page.get_by_role("button", name=BATCH)).to_be_visible()


@pytest.mark.parametrize(("query", "says"), [
    ("point=none-such", 'No sampling point or tube "none-such"'), ("batch=none-such", "Which sampling point?"),
    ("batch=none-such&tube=no-tube", 'No sampling point or tube "no-tube"')])
def test_a_label_that_is_not_known_here(query: str, says: str, page: Page) -> None:
    page.goto(f"/take?{query}")
    expect(page.get_by_text(says)).to_be_visible()


def test_a_label_of_another_company(page: Page) -> None:
    page.goto("/take")
    expect(page.get_by_role("button", name="Mill Yard & Co").first).to_be_visible()
    page.get_by_label("Site, sampling point").fill("https://other.example/p?id=mill-tap")
    page.keyboard.press("Enter")
    problem(page, "This label belongs to another server (other.example)")
    page.get_by_label("Site, sampling point").fill(POINT)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Which tube?")).to_be_visible()


def test_without_a_secure_address_the_page_states_what_is_missing(page: Page) -> None:
    """The camera app is then the main button."""
    page.add_init_script("Object.defineProperty(window, 'isSecureContext', {value: false});")
    to_dip(page)
    expect(page.locator("#insecure")).to_contain_text("Offline use, framing help and label scanner are missing")
    page.get_by_role("button", name="Dipped").click()
    expect(page.get_by_role("button", name="Photograph", exact=True)).to_be_hidden()


def test_a_phones_clock_that_is_off(page: Page) -> None:
    page.clock.set_fixed_time(dt.datetime.now(dt.UTC) + dt.timedelta(hours=3))
    page.goto("/take")
    expect(page.locator("#clock-off")).to_contain_text("differs from the server's by 180 min")


def test_an_interrupted_upload_resumes(page: Page, bench: Served, account: str, samples: Path) -> None:
    """One part is lost on the way, of the next the answer on the way back; the server gets no byte twice."""
    photo, n, sent = picture(samples), [0], [0]
    photo["buffer"] += bytes(300_000)

    def faulty(route: Route) -> None:
        if route.request.method != "POST" or "discard" in route.request.url:
            return route.continue_()
        n[0] += 1
        if n[0] == 1:
            return route.abort("connectionreset")
        sent[0] += len(route.request.post_data_buffer or b"")
        if n[0] == 2:
            route.fetch()
            return route.abort("connectionreset")
        return route.continue_()

    page.route("**/take/uploads/*", faulty)
    to_dip(page)
    shoot(page, photo)
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    (photograph,) = bench.store.find(Photograph, account=account)
    assert bench.store.photographs.get(photograph.id) == photo["buffer"]
    assert sent[0] == len(photo["buffer"])


def test_a_session_that_ends_in_the_middle_of_an_upload(page: Page, bench: Served, account: str,
                                                        samples: Path) -> None:
    """What has arrived stays; after signing in again the rest is sent, and no byte twice."""
    photo, sent = picture(samples), [0]
    photo["buffer"] += bytes(600_000)

    def ending(route: Route) -> None:
        if route.request.method == "POST" and not sent[0]:
            sent[0] = len(route.request.post_data_buffer or b"")
            answer = route.fetch()
            page.context.clear_cookies()
            return route.fulfill(response=answer)
        return route.continue_()

    to_dip(page)
    cookies = page.context.cookies()
    page.route("**/take/uploads/*", ending)
    shoot(page, photo)
    expect(page.locator("#queue-state")).to_have_text("Sign in · 1 waiting")
    expect(page.get_by_role("link", name="Sign in to send it")).to_be_visible()
    assert 0 < sent[0] < len(photo["buffer"])
    page.context.add_cookies([{"name": c["name"], "value": c["value"], "url": bench.url} for c in cookies])
    with page.expect_request(lambda r: r.method == "POST" and "offset=" in r.url) as rest:
        page.goto("/queue")
    assert f"offset={sent[0]}" in rest.value.url
    expect(page.locator("#queue-state")).to_have_text("All sent")
    (photograph,) = bench.store.find(Photograph, account=account)
    assert bench.store.photographs.get(photograph.id) == photo["buffer"]


def test_two_tabs_send_a_photograph_once(page: Page, bench: Served, account: str, samples: Path) -> None:
    """Both are open when the connection returns; both show the result."""
    other = page.context.new_page()
    other.goto("/queue")
    to_dip(page)
    page.context.set_offline(True)
    shoot(page, picture(samples))
    expect(other.get_by_role("button", name="Export")).to_be_visible()
    sent: list[str] = []
    for tab in (page, other):
        tab.on("request", lambda r: sent.append(r.url) if "/take/original" in r.url else None)
    page.context.set_offline(False)
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    expect(other.locator("#queue-state")).to_have_text("All sent")
    assert len(sent) == 1
    assert len(bench.store.find(Photograph, account=account)) == 1


def test_a_full_phone_is_reported_and_the_photograph_sent(page: Page, bench: Served, account: str,
                                                          samples: Path) -> None:
    """The browser has no space for another photograph: it is held by the page, which says so."""
    photo = picture(samples)
    to_dip(page)
    page.evaluate("""() => { IDBObjectStore.prototype.put = () => {
        throw new DOMException("The quota has been exceeded.", "QuotaExceededError"); }; }""")
    page.route("**/take/uploads/*", lambda route: route.abort("connectionreset"))
    page.route("**/take/preview*", lambda route: route.abort("connectionreset"))
    shoot(page, photo)
    expect(page.get_by_text("This browser cannot store photographs on the phone")).to_be_visible()
    expect(page.get_by_text("stored on this phone")).to_be_hidden()
    with page.expect_download() as saved:
        page.get_by_role("button", name="Export").click()
    assert Path(saved.value.path()).read_bytes() == photo["buffer"]
    asked: list[str] = []

    def stay(dialog: Dialog) -> None:
        asked.append(dialog.message)
        dialog.dismiss()

    page.once("dialog", stay)
    page.get_by_role("link", name="Done").click()
    assert asked == ["Leave this page? The photograph is not stored and will be lost."]
    page.unroute("**/take/uploads/*")
    expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
    assert len(bench.store.find(Photograph, account=account)) == 1


def test_a_chart_withdrawn_and_a_site_closed_while_a_photograph_waits(page: Page, bench: Served, account: str,
                                                                      samples: Path, sample_chart: Chart) -> None:
    """It is evaluated and stored all the same, and the answer states both."""
    chart, store = msgspec.structs.replace(sample_chart, batch="ending"), bench.store
    register_chart(store, account, chart)
    with store.writing(account) as work:
        work.put(Site(id="shed", name="The Shed"), "made")
        work.put(SamplingPoint(id="shed-tap", site="shed", place="mains", name="tap"), "made")
    page.goto("/take?point=shed-tap&batch=ending")
    page.get_by_role("button", name="Use this tube anyway").click()
    page.get_by_role("button", name="The sample is cool").click()
    page.context.set_offline(True)
    shoot(page, picture(samples))
    expect(page.locator("#queue-state")).to_have_text("Offline · 1 waiting")
    withdraw_chart(store, account, chart, "Check standard failed.")
    with store.writing(account) as work:
        work.put(msgspec.structs.replace(store.get(Site, "shed"), closed=dt.date(2020, 1, 1)), "closed")
    page.context.set_offline(False)
    answer = page.locator(".answer > div > p")
    expect(answer.nth(0)).to_contain_text("The chart has been withdrawn. Do not use the value")  # before the verdict
    expect(page.get_by_text("The sampling point or its site was closed")).to_be_visible()
    (photograph,) = store.find(Photograph, account=account)
    assert photograph.point == "shed-tap"


def test_a_tube_is_judged_that_a_label_names(page: Page) -> None:
    """An unreleased batch, scanned before the sampling point: the reason is shown before the strip is dipped."""
    page.goto(f"/t?id={BATCH}")
    problem(page, f"Tube {BATCH}. Now choose the sampling point.")
    page.get_by_role("button", name="Mill Yard & Co").first.click()
    expect(page.get_by_role("alert")).to_contain_text(f"{BATCH}: Chart not released.")
    page.goto(f"/take?point={POINT}&batch={BATCH}&tube=opened-today")
    expect(page.get_by_role("alert")).to_contain_text("opened-today: Chart not released.")
    page.get_by_role("button", name="Use this tube anyway").click()
    expect(page.get_by_role("heading", name="Draw the sample")).to_be_visible()
