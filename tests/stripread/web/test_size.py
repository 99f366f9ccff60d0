"""How much a phone on a weak signal must fetch: counted on the line, compressed as browsers ask for it."""

from __future__ import annotations

import re

from stripread.store.models.evidence import StoredReading

from .conftest import BATCH, POINT, Browser, Served

#: The project's bound is 15 kB; what a page adds to the common files should leave room under it.
FIRST_VIEW, WHOLE = 14_000, 60_000
_FETCHED = re.compile(r'(?:src|href)="(/static/[^"]+)"')


def fetched(browser: Browser, *pages: str) -> int:
    """Bytes of some pages with all they fetch, each file once; without the heads of answers."""
    total, seen = 0, set()
    for page in pages:
        answer = browser.get(page)
        assert answer.status_code == 200
        total += answer.num_bytes_downloaded
        seen |= set(_FETCHED.findall(answer.text))
    for asset in seen:
        answer = browser.get(asset)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
        total += answer.num_bytes_downloaded
    return total


def test_a_first_view_is_small(bench: Served) -> None:
    """What the browser needs to show it, whichever page it is; later steps and framing help are loaded after it."""
    bench.app.code = ""
    inside = bench.role("technician")
    for browser, page in ((bench.browser(), "/sign-in"), (inside, "/"), (inside, "/take"),
                          (inside, "/queue")):
        assert 2_000 < fetched(browser, page) < FIRST_VIEW


def test_pages_of_analysts_and_administrators_are_small(bench: Served) -> None:
    """With their styles and scripts; drawings and photographs follow the first view."""
    inside = bench.role("analyst", "administrator", "manager")
    for page in ("/batches", f"/batches/{BATCH}", f"/batches/{BATCH}/standards", "/cards", "/system", "/decisions",
                 "/help", "/integration"):
        assert 2_000 < fetched(inside, page) < FIRST_VIEW


def test_a_reading_is_small_and_folds_the_rest(stocked: Served) -> None:
    """What is folded is loaded after the first view; with it the page is the same as all of it at once."""
    reading = next(r.id for r in stocked.store.find(StoredReading) if r.reading.status == "measured")
    browser = stocked.role("technician", "reviewer")
    assert 2_000 < fetched(browser, f"/readings/{reading}") < FIRST_VIEW
    first, rest, whole = (browser.get(f"/readings/{reading}{more}").text for more in ("", "/details", "?details=all"))
    assert {*words(first), *words(rest)} >= words(whole) - words("Show all details")
    assert not words(rest) <= words(first)


def words(page: str) -> set[str]:
    """Return the words that a page shows."""
    return set(re.sub(r"<[^>]+>", " ", page).split())


def test_all_pages_together_are_small(bench: Served) -> None:
    """Without photographs; the project's own bound."""
    everything = bench.role("technician", "administrator")
    pages = ("/", "/take", f"/take?point={POINT}&batch={BATCH}", "/me", "/accounts", "/schedule", "/labels")
    assert fetched(everything, *pages) < WHOLE
