"""How many questions a page asks of the database: as many for a long history as for a short one."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import event

from stripread.review.session import ReviewSession
from stripread.store.store import Store
from tests.stripread.intake.phone_photos import phone_photo

from .conftest import BATCH, POINT, Browser, Served

MOST_FOR_A_READING = 6


@contextmanager
def counted_selects(store: Store) -> Iterator[list[str]]:
    """The SELECT statements that the database gets meanwhile."""
    found: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        if statement.lstrip().upper().startswith(("SELECT", "WITH")):
            found.append(statement)

    event.listen(store.engine, "before_cursor_execute", note)
    try:
        yield found
    finally:
        event.remove(store.engine, "before_cursor_execute", note)


def test_a_statement_is_counted(bench: Served) -> None:
    with counted_selects(bench.store) as found:
        bench.store.check_connection()
    assert len(found) == 1


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
    with counted_selects(bench.store) as found:
        assert browser.get(f"/readings/{reading}").status_code == 200
    return len(found)
