"""Seeded schedules of phone, queue and server in simulated time: no photograph is lost or stored twice.

The queue is the real script; network and server are a model (`phone_model.js`), whose server does what
`test_uploads.py` shows of the real one. `make soak` runs 1,000 schedules.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import Page

import stripread.web

HOME = Path(__file__).parent
STATIC = Path(str(stripread.web.__file__)).parent / "static"
QUEUE = "".join((STATIC / name).read_text() for name in ("outbox-entries.js", "outbox.js"))
#: How many schedules: few here, all in `make soak`.
COUNT = int(os.environ.get("SCHEDULES", "40"))


@pytest.fixture(scope="module")
def model(chrome: Chromium) -> Page:
    page = chrome.new_page()
    page.goto("about:blank")
    return page


def run(model: Page, seed: int, **wanted: Any) -> dict[str, Any]:
    found: dict[str, Any] = model.evaluate((HOME / "phone_model.js").read_text(), [QUEUE, seed, wanted])
    return found


def test_no_photograph_is_lost_or_stored_twice(model: Page) -> None:
    failed, photographs = [], 0
    for seed in range(COUNT):
        found = run(model, seed)
        photographs += found["taken"]
        if found["lost"] or found["extra"] or found["twice"] or found["open"] or not found["foreign"] or (
                found["results"] != found["taken"]):
            failed.append((seed, found))
    assert not failed
    assert photographs > COUNT  # more than one a schedule


@pytest.mark.parametrize("seed", range(3))
def test_12_mb_arrive_at_20_kb_a_second(seed: int, model: Page) -> None:
    """With a connection that breaks every 15 s on average; repeated bytes are at most a third of the photograph.

    At that rate alone 12 MB take ten minutes.
    """
    size = 12_000_000
    found = run(model, seed, rate=20_000, cut=15_000, loss=0.05, sizes=[size])
    assert (found["lost"], found["twice"], found["open"]) == (0, 0, False)
    assert found["received"] == size
    assert found["seconds"] < 2 * size / 20_000


def test_the_model_sees_a_queue_that_loses(model: Page) -> None:
    """A queue that deletes what the server did not confirm is caught."""
    source = QUEUE
    broken = source.replace('await (same ? stored(entry, text) : failed(entry, messages["not-stored"]));',
                            "await stored(entry, text);").replace("if (answer.ok) {", "if (true) {")
    assert broken != source
    seen = [model.evaluate((HOME / "phone_model.js").read_text(), [broken, seed, {}])["lost"] for seed in range(20)]
    assert any(seen)
