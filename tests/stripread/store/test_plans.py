"""Plans of SQLite for lists, filters, the queue, a reading and a site: none reads a large table from end to end.

The plans do not depend on what the tables contain (https://www.sqlite.org/eqp.html). Those of PostgreSQL depend on its
statistics: `python -m tests.bench.service --explain` prints them for a million readings. Searches are not among them:
they read the names of all photographs.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Final

import pytest
from sqlalchemy import select

from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.status import status_of
from stripread.review.queue import QueueFilter, count_queue, queue, view_from
from stripread.store.reading_history import load_history
from stripread.store.reading_query import ReadingFilter, count_readings, readings
from stripread.store.schema import READING_INDEX
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.loops import some
from tests.statements import noted_statements, selects
from tests.stripread.store.histories import NOW
from tests.stripread.store.world import Material, the_world

#: Tables that grow with the readings.
_LARGE: Final = ("reading_index", "readings", "photographs", "assessments", "reviews", "corrections", "bodies",
                 "audit_trail", "review_queue", "reading_flags")
#: A table read from its beginning; "INDEX": in the order of an index, of which a page reads as much as it shows.
_SCAN: Final = re.compile(rf"^SCAN ({'|'.join(_LARGE)})(?! USING .*INDEX)")
#: One row from an end of the audit trail.
_LAST: Final = re.compile(r"ORDER BY audit_trail.seq DESC\s+LIMIT")
_WEEK: Final = ReadingFilter(since=NOW - timedelta(days=7), until=NOW)
FILTERS: Final = (
    ReadingFilter(), _WEEK, ReadingFilter(site="mill"), ReadingFilter(group="north"), ReadingFilter(point="tap"),
    ReadingFilter(batch="A"), ReadingFilter(verdict="out-of-limits"), ReadingFilter(status="no-result"),
    ReadingFilter(flag="glare"), ReadingFilter(reviewed="unreviewed"), ReadingFilter(reviewed="rejected"),
    ReadingFilter(corrected=True), ReadingFilter(state="superseded"))
QUEUES: Final = (QueueFilter(), QueueFilter(group="north"), QueueFilter(site="mill"), QueueFilter(reason="outlier"),
                 QueueFilter(reason="drawn"))


@pytest.fixture(scope="module")
def store(world_file: Path, material: Material, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    folder = tmp_path_factory.mktemp("plans")
    with the_world(f"sqlite:///{shutil.copy(world_file, folder / 'world.sqlite')}", folder, material) as world:
        world.store.review = ReviewPolicy(two_reviewers=True)
        yield world.store


def plans(store: Store, query: Callable[[], object]) -> list[str]:
    """The lines of the plans of all statements that a query executes."""
    with noted_statements(store) as noted:
        query()
    asked = [s for s in selects(noted) if not _LAST.search(s.sql)]
    with store.engine.connect() as connection:
        return [line[3] for statement in some(asked)
                for line in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement.sql}", statement.parameters)]


def scans(store: Store, query: Callable[[], object]) -> list[str]:
    return [line for line in plans(store, query) if _SCAN.search(line)]


@pytest.mark.parametrize("asked", FILTERS)
def test_a_list_reads_an_index(store: Store, asked: ReadingFilter) -> None:
    assert scans(store, lambda: readings(store, asked, 50)) == []
    assert scans(store, lambda: readings(store, asked, 50, before="again")) == []
    if asked != ReadingFilter():  # counting all of them ends at 10,000
        assert scans(store, lambda: count_readings(store, asked, 10_000)) == []


@pytest.mark.parametrize("asked", QUEUES)
@pytest.mark.parametrize("oldest_first", [False, True])
def test_the_review_queue_reads_an_index(store: Store, asked: QueueFilter, *, oldest_first: bool) -> None:
    assert scans(store, lambda: queue(store, asked, 50, oldest_first=oldest_first)) == []
    assert scans(store, lambda: view_from(store, asked, "again", 7, oldest_first=oldest_first)) == []
    assert scans(store, lambda: count_queue(store, asked)) == []


def test_one_reading_and_one_site_read_indexes(store: Store) -> None:
    assert scans(store, lambda: load_history(store, "again")) == []
    assert scans(store, lambda: status_of(store, load_intervals(), "mill")) == []


def test_a_query_without_an_index_is_found(store: Store) -> None:
    def by_flags() -> None:
        with store.viewing() as connection:
            connection.execute(select(READING_INDEX).where(READING_INDEX.c.flags == " glare ")).all()

    assert scans(store, by_flags) == ["SCAN reading_index"]
