"""List of readings: filters, order, units, download; names that no browser may run."""

from __future__ import annotations

import csv
import io
import re

import pytest

from shared.notation import Notation
from stripread.store import sign_ins

from .conftest import Served
from .records import HOSTILE

LINES = re.compile(r'<a href="/readings/([^"]+)">')


def listed(stocked: Served, **asked: str) -> list[str]:
    answer = stocked.role("manager").get("/readings", params=asked)
    assert answer.status_code == 200
    return LINES.findall(answer.text)


@pytest.mark.parametrize(("asked", "found"), [
    ({"search": "quay"}, ["quay-2", "quay-1", "quay-0"]),
    ({"search": "quay", "sort": "oldest"}, ["quay-0", "quay-1", "quay-2"]),
    ({"outcome": "no-result", "group": "south"}, ["long-1", "hostile-1"]),
    ({"outcome": "out-of-limits", "search": "tap The"}, ["quay-2"]),
    ({"site": "long", "after": "long-2"}, ["long-1", "long-0"]),
    ({"since": "2200-01-01"}, []),
    ({"batch": "B"}, []),
])
def test_filters_and_order(asked: dict[str, str], found: list[str], stocked: Served) -> None:
    assert listed(stocked, **asked) == found


@pytest.mark.parametrize("path", ["/readings", "/review"])
def test_the_meaning_of_a_short_search_is_stated(path: str, stocked: Served) -> None:
    browser = stocked.role("reviewer")
    for typed, stated in (("q", True), ("zz", True), ("", False), ("qua", False)):
        answer = browser.get(path, params={"search": typed}, follow_redirects=True)
        assert answer.status_code == 200
        assert ("photographs whose name begins with them" in answer.text) == stated, typed


def test_an_impossible_filter_is_reported(stocked: Served) -> None:
    browser = stocked.role("manager")
    for asked in ({"outcome": "splendid"}, {"since": "yesterday"}, {"until": "9999-12-31"}, {"after": "none"}):
        answer = browser.get("/readings", params=asked)
        assert answer.status_code == 422
        assert next(iter(asked.values())) in answer.text


def test_numbers_are_in_the_readers_notation(stocked: Served) -> None:
    """62 mg/L CaCO3 are 3.47 °dH (10 mg CaO/L by molar masses, from memory)."""
    account = stocked.account("manager")
    sign_ins.set_preferences(stocked.store, account, Notation(unit="°dH", comma=True))
    text = stocked.browser(account).get("/readings", params={"search": "long-2"}).text
    assert ">3,47<" in text
    assert "°dH" in text


def test_the_download_has_the_rows_of_the_filter(stocked: Served) -> None:
    answer = stocked.role("manager").get("/readings", params={"search": "quay", "format": "csv"})
    assert answer.headers["content-disposition"] == 'attachment; filename="readings.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["reading"] for row in rows] == ["quay-2", "quay-1", "quay-0"]
    assert float(rows[0]["hardness [mg/L CaCO3]"]) == 320.0


@pytest.mark.parametrize("path", ["/readings", "/readings/hostile-2", "/readings/hostile-1"])
def test_a_hostile_name_is_text(path: str, stocked: Served) -> None:
    text = stocked.role("manager", "reviewer", "administrator").get(path).text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert HOSTILE not in text
    assert "<img src=x" not in text
    assert "49" not in re.findall(r"onerror=alert\(2\)&gt;(\d+)", text)
