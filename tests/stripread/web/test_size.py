"""How much a phone on a weak signal must fetch: counted on the line, compressed as browsers ask for it."""

from __future__ import annotations

import re

from .conftest import BATCH, POINT, Browser, Served

FIRST_VIEW, WHOLE = 15_000, 60_000
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
    bench.house.code = ""
    inside = bench.role("technician")
    for browser, page in ((bench.browser(), "/sign-in"), (inside, "/"), (inside, "/take"),
                          (inside, "/queue")):
        assert 2_000 < fetched(browser, page) < FIRST_VIEW


def test_all_pages_together_are_small(bench: Served) -> None:
    """Without photographs; the project's own bound."""
    everything = bench.role("technician", "administrator")
    pages = ("/", "/take", f"/take?point={POINT}&batch={BATCH}", "/me", "/accounts", "/schedule", "/labels")
    assert fetched(everything, *pages) < WHOLE
