"""What pages ask of the database: few questions, as many for a long history as for a short one, and no row too many."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from stripread.review.session import ReviewSession
from stripread.store.models.accounts import ROLES
from stripread.store.store import Store
from tests.loops import some
from tests.statements import noted_statements, selects
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import BATCH, POINT, Browser, Served

MOST_FOR_A_READING = 6
#: Lists of other records than accounts.
LISTS = ("/", "/readings", "/readings?format=csv", "/review", "/sites", "/sites/map", "/sites/quay", "/schedule",
         "/decisions", "/batches", "/cards", "/reports", "/labels", "/re-evaluation", "/api/readings", "/api/sites",
         "/api/due", "/api/points")


def test_a_statement_is_noted(bench: Served) -> None:
    with noted_statements(bench.store) as noted:
        bench.store.check_writable()
    assert len(selects(noted)) == 1


def test_the_page_of_a_reading_needs_few_statements(bench: Served, samples: Path) -> None:
    browser = bench.role("technician", "reviewer")
    data = phone_photo(samples / "sites" / "mill-yard.jpg", taken="2031:05:04 09:30:40").data + b"counted"
    answer = browser.send("POST", "/take/original", params={"batch": BATCH, "point": POINT}, content=data)
    (reading,) = re.findall(r'data-reading="([^"]+)"', answer.text)
    numbers = []
    for reviewer in ("first", "second"):
        numbers.append(_selects(bench, browser, reading))
        account = bench.account("reviewer", name=f"The {reviewer} reviewer")
        ReviewSession(bench.store, account).accept(reading)
    numbers.append(_selects(bench, browser, reading))
    assert len(set(numbers)) == 1
    assert 0 < numbers[0] <= MOST_FOR_A_READING


def _selects(bench: Served, browser: Browser, reading: str) -> int:
    with noted_statements(bench.store) as noted:
        assert browser.get(f"/readings/{reading}").status_code == 200
    return len(selects(noted))


@pytest.fixture(scope="module")
def bystander(stocked: Served) -> str:
    """A technician's account that no record names."""
    return stocked.account("technician", name="Bystander")


@pytest.fixture(scope="module")
def visitor(stocked: Served) -> Browser:
    """Someone else, who may see all pages."""
    return stocked.role(*ROLES)


def cells_with(store: Store, word: str, ask: Callable[[], object]) -> int:
    """How many cells contain a word, of the rows that the SELECT statements return; bodies of records are deflated."""
    with noted_statements(store) as noted:
        ask()
    with store.engine.connect() as connection:
        rows = [row for s in some(selects(noted)) for row in connection.exec_driver_sql(s.sql, s.parameters)]
    return sum(word in (zlib.decompress(cell).decode() if isinstance(cell, bytes) else str(cell))
               for row in rows for cell in row)


def opened(browser: Browser, address: str) -> None:
    browser.get(address, follow_redirects=True).raise_for_status()


@pytest.mark.parametrize("address", LISTS)
def test_a_list_loads_no_account_that_it_does_not_show(stocked: Served, visitor: Browser, bystander: str,
                                                       address: str) -> None:
    assert cells_with(stocked.store, bystander, lambda: opened(visitor, address)) == 0


def test_the_list_of_accounts_loads_each(stocked: Served, visitor: Browser, bystander: str) -> None:
    """The check above sees a row that it must not see."""
    assert cells_with(stocked.store, bystander, lambda: opened(visitor, "/system")) > 0
