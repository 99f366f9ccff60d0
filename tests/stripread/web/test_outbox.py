"""The upload queue in a real browser: no photograph is lost, none blocks another, every result is shown."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest
from playwright.sync_api import Dialog, Page, Route, expect

from stripread.store.integrity import verify_store
from stripread.store.models.evidence import Photograph, StoredReading

from .conftest import DIPPED, Open, Served, picture, shoot, to_dip

UPLOADS = "**/take/original?*"
WHOLE = "Show full reading"
#: What IndexedDB contains: label, whether the photograph is still there, and the reading of a result.
STORED = "outbox.store.all().then((all) => all.map((e) => [e.label, Boolean(e.bytes), e.reading ?? '']))"


@pytest.fixture
def page(bench: Served, open_page: Open, account: str) -> Page:
    opened = open_page(bench, account=account)
    to_dip(opened)
    return opened


def waits(page: Page, text: str) -> None:
    """What the header says of the queue, on every page."""
    expect(page.locator("#queue-state")).to_have_text(text)


def results(page: Page, n: int) -> None:
    """Of all photographs, folded ones too."""
    expect(page.locator("a", has_text=WHOLE)).to_have_count(n)


def test_a_photograph_taken_while_another_uploads_is_sent(page: Page, bench: Served, account: str,
                                                         samples: Path) -> None:
    held: list[Route] = []
    page.route(UPLOADS, lambda route: route.continue_() if held else held.append(route))
    with page.expect_request(UPLOADS):
        shoot(page, picture(samples))
    shoot(page, picture(samples, "harbour-kiosk"))
    waits(page, "2 waiting")
    held[0].continue_()
    results(page, 2)
    assert len(bench.store.find(Photograph, account=account)) == 2
    expect(page.get_by_role("link", name="Combine the readings of this sample")).to_be_visible()


def test_a_result_is_shown_on_whatever_page_is_open(page: Page, samples: Path) -> None:
    """Sent while the start page is open; shown until it was seen, also by the page on which photographs are taken."""
    page.context.set_offline(True)
    shoot(page, picture(samples))
    waits(page, "Offline · 1 waiting")
    page.context.set_offline(False)
    page.goto("/")
    expect(page.get_by_role("heading", name="New results")).to_be_visible()
    results(page, 1)
    expect(page.locator("#outbox")).to_contain_text("Out of limits")
    page.goto("/take#answer")
    results(page, 1)
    page.get_by_role("link", name="Done").click()
    page.wait_for_url("**/")
    results(page, 0)
    expect(page.locator("#outbox")).to_be_hidden()


def test_it_is_deleted_only_after_the_hash_of_the_stored_bytes(page: Page, bench: Served, account: str,
                                                              samples: Path) -> None:
    """The server's hash is that of the bytes sent; an answer without it, or with another, deletes nothing."""
    hashes, photo = ["", "0" * 64], picture(samples)

    def forged(route: Route) -> None:
        answer = route.fetch()
        assert answer.headers["x-stored-sha256"] == hashlib.sha256(photo["buffer"]).hexdigest()
        given = hashes.pop() if hashes else answer.headers["x-stored-sha256"]
        route.fulfill(response=answer, headers={**answer.headers, "x-stored-sha256": given})

    page.route(UPLOADS, forged)
    shoot(page, photo)
    page.wait_for_function("() => outbox.store.all().then((all) => all.length)")
    for _ in range(2):
        page.goto("/queue")
        expect(page.get_by_text("The server did not confirm that the photograph is stored.")).to_be_visible()
        assert [has for _, has, _ in page.evaluate(STORED)] == [True]
    results(page, 1)
    assert [has for _, has, _ in page.evaluate(STORED)] == [False]
    (photograph,) = bench.store.find(Photograph, account=account)
    assert bench.store.photographs.get(photograph.id) == photo["buffer"]


@pytest.mark.parametrize("fault", ["500", "reset"])
def test_one_that_the_server_cannot_process_blocks_no_other(fault: str, page: Page, bench: Served, account: str,
                                                           samples: Path) -> None:
    bad: list[str] = []

    def faulty(route: Route) -> None:
        key = re.findall("upload=([0-9a-f]+)", route.request.url)[0]
        bad.append(key) if not bad else None
        if key != bad[0]:
            route.continue_()
        elif fault == "500":
            route.fulfill(status=500, body="<h1>proxy</h1>")
        else:
            route.abort("connectionreset")

    page.route(UPLOADS, faulty)
    shoot(page, picture(samples))
    page.wait_for_function("() => outbox.store.all().then((all) => all.some((e) => e.tries))")
    shoot(page, picture(samples, "harbour-kiosk"))
    results(page, 1)
    assert len(bench.store.find(Photograph, account=account)) == 1
    assert sorted(has for _, has, _ in page.evaluate(STORED)) == [False, True]
    page.unroute(UPLOADS)
    page.goto("/queue")
    results(page, 2)


def test_one_taken_again_replaces_the_reading(page: Page, bench: Served, account: str, samples: Path) -> None:
    """Both are retained; sending the first once more changes nothing; a second strip replaces nothing."""
    first = picture(samples)
    shoot(page, first)
    results(page, 1)
    page.get_by_role("button", name="Retake").click()
    expect(page.get_by_text("The next photograph supersedes the last reading")).to_be_visible()
    shoot(page, picture(samples, "harbour-kiosk"))
    expect(page.get_by_text("The next photograph supersedes")).to_be_hidden()
    page.wait_for_function("() => !outbox.sending")
    results(page, 1)
    readings = {r.photograph: r for r in bench.store.find(StoredReading, account=account)}
    old = readings.pop(hashlib.sha256(first["buffer"]).hexdigest())
    (new,) = readings.values()
    assert new.supersedes == old.id
    shoot(page, first)
    page.wait_for_function("() => !outbox.sending")
    results(page, 2)
    assert len(bench.store.find(StoredReading, account=account)) == 2
    assert not verify_store(bench.store).wrong


def test_one_taken_again_before_the_first_was_sent(page: Page, bench: Served, account: str, samples: Path) -> None:
    page.context.set_offline(True)
    first = picture(samples)
    shoot(page, first)
    expect(page.get_by_text("The result then appears here")).to_be_visible()
    page.get_by_role("button", name="Retake").click()
    shoot(page, picture(samples, "harbour-kiosk"))
    waits(page, "Offline · 2 waiting")
    page.context.set_offline(False)
    results(page, 1)
    page.wait_for_function("() => !outbox.sending")
    readings = {r.photograph: r for r in bench.store.find(StoredReading, account=account)}
    old = readings.pop(hashlib.sha256(first["buffer"]).hexdigest())
    assert [r.supersedes for r in readings.values()] == [old.id]


def test_leaving_asks_while_a_photograph_is_being_stored(page: Page, samples: Path) -> None:
    """A slow phone: the photograph is in the page only until it is stored; then nothing is asked."""
    asked: list[str] = []

    def stay(dialog: Dialog) -> None:
        asked.append(dialog.type)
        dialog.dismiss()

    page.on("dialog", stay)
    page.context.set_offline(True)
    page.evaluate("""() => {
        const put = outbox.store.put;
        outbox.store.put = (entry) => new Promise((done) => { window.storeNow = () => done(put(entry)); }); }""")
    shoot(page, picture(samples))
    page.wait_for_function("() => window.storeNow")
    page.evaluate("() => document.querySelector('a[href]').click()")
    assert asked == ["confirm"]
    page.evaluate("() => location.reload()")
    page.wait_for_timeout(200)
    assert asked == ["confirm", "beforeunload"]
    page.evaluate("() => window.storeNow()")
    waits(page, "Offline · 1 waiting")
    assert page.evaluate("() => dispatchEvent(new Event('beforeunload', {cancelable: true}))")


def test_what_was_rejected_is_exported_or_deleted_on_request(page: Page, samples: Path) -> None:
    """Deleting asks first; what is saved is the original."""
    photo, answers = picture(samples), [False, True]
    page.route(UPLOADS, lambda route: route.fulfill(
        status=422, body='{"title": "This is rejected.", "detail": "For a test."}'))
    page.on("dialog", lambda dialog: dialog.accept() if answers.pop(0) else dialog.dismiss())
    shoot(page, photo)
    expect(page.locator("#answers")).to_contain_text("This is rejected. For a test.")
    waits(page, "1 rejected")
    page.goto("/queue")
    expect(page.locator("#queue-page")).to_contain_text("This is rejected. For a test.")
    with page.expect_download() as saved:
        page.get_by_role("button", name="Export").click()
    assert Path(saved.value.path()).read_bytes() == photo["buffer"]
    assert saved.value.suggested_filename == photo["name"]
    page.get_by_role("button", name="Delete").click()
    assert len(page.evaluate(STORED)) == 1
    page.get_by_role("button", name="Delete").click()
    waits(page, "All sent")
    assert page.evaluate(STORED) == []


def test_one_rejected_is_sent_again(page: Page, samples: Path) -> None:
    """As it is, or without what was rejected."""
    page.evaluate("""async () => {
        const add = outbox.add;
        outbox.add = (file, label, fields, key) => add(file, label, {...fields, replaces: "none-such"}, key); }""")
    shoot(page, picture(samples, "old-cellar"))
    expect(page.get_by_text("no such reading to replace").first).to_be_visible()
    page.goto("/queue")
    page.get_by_role("button", name="Send again").click()
    expect(page.get_by_text("no such reading to replace").first).to_be_visible()
    page.get_by_role("button", name="Send as a separate reading").click()
    results(page, 1)


def test_a_wrong_dipping_time_is_left_out(page: Page, samples: Path) -> None:
    """The same again cannot help, so it is not offered."""
    page.evaluate("""async () => {
        const add = outbox.add;
        const given = {dipped: "2020-01-01T09:30:00"};
        outbox.add = (file, label, fields, key) => add(file, label, {...fields, ...given}, key); }""")
    shoot(page, picture(samples, "old-cellar"))
    expect(page.locator("#answers")).to_contain_text("The dipping time does not belong to this photograph")
    page.goto("/queue?offline=yes")
    expect(page.get_by_text("The page you opened needs a connection.")).to_be_visible()
    page.goto("/queue")
    expect(page.locator("#instead")).to_be_hidden()
    expect(page.get_by_role("button", name="Send again")).to_have_count(0)
    page.get_by_role("button", name="Send without the dipping time").click()
    results(page, 1)


def test_the_timer_survives_reload(bench: Served, open_page: Open, account: str, samples: Path) -> None:
    page = open_page(bench, account=account)
    page.clock.install(time=DIPPED)
    to_dip(page)
    page.get_by_role("button", name="Dipped").click()
    page.clock.fast_forward(31_000)
    page.reload()
    expect(page.get_by_role("status")).to_have_text("Photograph now")
    with page.expect_request(UPLOADS) as sent:
        shoot(page, picture(samples))
        page.clock.fast_forward(8_000)
    assert re.search(r"dipped=2031-05-04T09%3A30%3A0\d%2B02%3A00", sent.value.url)
    page.goto("/take#dip")
    expect(page.locator("#clock")).to_be_hidden()


def test_the_sign_in_page_mentions_what_waits(page: Page, bench: Served, samples: Path) -> None:
    """So does the page of another account, which neither sees nor sends it."""
    page.context.set_offline(True)
    shoot(page, picture(samples))
    waits(page, "Offline · 1 waiting")
    page.context.clear_cookies()
    page.context.set_offline(False)
    page.goto("/sign-in")
    expect(page.get_by_text("One photograph is queued on this device.")).to_be_visible()
    other = bench.account("technician")
    page.context.add_cookies([{"name": "session", "value": bench.browser(other).secret, "url": bench.url}])
    page.goto("/")
    expect(page.get_by_text("Photographs of another account queued on this phone: 1.")).to_be_visible()
    assert not bench.store.find(Photograph, account=other)


def test_a_session_renewed_on_another_page_continues(page: Page, bench: Served, account: str, samples: Path) -> None:
    """The page's token is of the session before; it takes the new one and sends."""
    page.context.add_cookies([{"name": "session", "value": bench.browser(account).secret, "url": bench.url}])
    shoot(page, picture(samples))
    results(page, 1)


def test_a_browser_that_stores_nothing(bench: Served, open_page: Open, account: str, samples: Path) -> None:
    """It says so, sends what it has, and warns before the page is closed."""
    page = open_page(bench, account=account)
    page.add_init_script("delete window.indexedDB; Object.defineProperty(window, 'indexedDB', {value: undefined});")
    to_dip(page)
    page.context.set_offline(True)
    shoot(page, picture(samples))
    expect(page.get_by_text("This browser cannot store photographs on the phone")).to_be_visible()
    page.context.set_offline(False)
    results(page, 1)
    assert page.evaluate(STORED)[0][1] is False


def test_old_results_are_dropped_and_old_photographs_are_not(page: Page, account: str) -> None:
    page.context.set_offline(True)
    page.evaluate("""async (account) => {
        const old = {account, label: "old", at: Date.now() - 8 * 24 * 3600e3};
        await outbox.store.put({...old, key: "result", html: "<div></div>", reading: "x"});
        await outbox.store.put({...old, key: "photograph", bytes: new ArrayBuffer(3), fields: {}, tries: 0});
    }""", account)
    page.route("**/take/uploads/*", lambda route: route.fulfill(status=503, body="{}"))
    page.context.set_offline(False)
    page.goto("/")
    page.wait_for_function("() => !outbox.sending")
    assert [has for _, has, _ in page.evaluate(STORED)] == [True]
