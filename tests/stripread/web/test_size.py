"""How much a phone on a weak signal must fetch: counted on the line, compressed as browsers ask for it."""

from __future__ import annotations

import re

from stripread.store.models.accounts import ROLES
from stripread.store.models.evidence import StoredReading

from .conftest import Browser, Served
from .test_route_titles import TITLES

#: The project's bounds are 15 kB for a first view, which leaves room, and 150 kB for all pages.
FIRST_VIEW, WHOLE = 14_500, 150_000
_FETCHED = re.compile(r'(?:src|href)="(/static/[^"]+)"')


def fetched(browser: Browser, *pages: str) -> int:
    """Bytes of some pages with all they fetch, each file once; without the heads of answers."""
    total, seen = 0, set()
    for page in pages:
        answer = browser.get(page, follow_redirects=True)
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


def test_each_page_and_all_pages_together_are_small(stocked: Served) -> None:
    """With their styles and scripts; drawings and photographs follow the first view."""
    browser = stocked.role(*ROLES)
    sizes = {page: fetched(browser, page) for page in TITLES}
    assert {page: size for page, size in sizes.items() if not 2_000 < size < FIRST_VIEW} == {}
    assert fetched(browser, *TITLES) < WHOLE


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

