"""Pages state the same status, date and next action of each site as commands and reports do."""

import re
from collections.abc import Iterator, Sequence
from datetime import date
from html import unescape
from pathlib import Path

import pytest

from assess.decision import VERDICT_NAMES
from calibration.chart import Chart
from shared.notation import Notation
from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import SiteStatus, overview
from stripread.web.worker import Workers
from tests.loops import some
from tests.stripread.monitoring.agreement import INTERVALS
from tests.stripread.monitoring.treated_store import treated_store
from tests.stripread.web.conftest import Served, serving


@pytest.fixture
def served(tmp_path: Path, sample_chart: Chart, workers: Workers) -> Iterator[Served]:
    with serving(treated_store(tmp_path, sample_chart), workers) as running:
        yield running


def cells(page: str) -> list[str]:
    """The texts between the tags of a page, in small letters: a sentence begins with a capital on pages only."""
    body = re.sub(r"<(script|style|svg)\b.*?</\1>", "", page, flags=re.DOTALL)
    return [found for part in re.split(r"<[^>]+>", body) if (found := " ".join(unescape(part).split()).casefold())]


def written(day: date) -> str:
    return f"{day.day} {day:%b %Y}".casefold()


def contains(page: Sequence[str], *sequence: str) -> bool:
    """Whether texts follow each other on a page."""
    wanted = [text.casefold() for text in sequence]
    return any(list(page[i:i + len(wanted)]) == wanted for i in range(len(page)))


def test_pages_state_the_same(served: Served) -> None:
    store, manager = served.store, served.role("manager")
    sites = overview(store, INTERVALS, scope=Scope()).sites
    listed, today, schedule = (cells(manager.get(path).text) for path in ("/sites", "/", "/schedule"))
    out = today[today.index("out of limits"):today.index("nearest exhaustion")]
    for status, row in zip(some(sites), _rows(listed, sites), strict=True):
        assert status.next is not None
        verdict = "never assessed" if status.verdict is None else VERDICT_NAMES[status.verdict]
        assert row[:2] == [verdict, status.name.casefold()]
        assert status.next.what.casefold() in row
        assert any(written(status.next.on) in cell for cell in row), row
        assert (status.name.casefold() in out) == (status.verdict == "out-of-limits")
        page = cells(manager.get(f"/sites/{status.site}").text)
        assert page[page.index(status.name.casefold()):][1].startswith(verdict), "the headline"
        assert f"{status.next.what}, due {written(status.next.on)}.".casefold() in page
    for item in some(due_list(store, INTERVALS, scope=Scope(), weeks=4).items):
        why = Notation().prose(item.why)
        assert contains(schedule, item.what, *filter(None, [item.site_name]), why, written(item.on)), item
        if item.site and item.on <= store.clock().date():
            assert contains(today, item.site_name, item.what), item


def _rows(page: list[str], sites: Sequence[SiteStatus]) -> Iterator[list[str]]:
    """Texts of each site in the list: from its verdict until that of the next site."""
    starts = [page.index(s.name.casefold()) - 1 for s in sites]
    assert starts == sorted(starts), "ranked alike"
    yield from (page[i:j] for i, j in zip(starts, [*starts[1:], len(page)], strict=True))
