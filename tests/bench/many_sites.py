"""500 sites with three years of weekly readings: how long the due list and the overview take."""

from __future__ import annotations

import tempfile
from pathlib import Path

from sqlalchemy import select

from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import overview
from stripread.review.queue import queue
from stripread.store.schema import READING_INDEX
from stripread.store.store import Store
from stripread.web.worker import Workers
from tests.bench.reading import seconds
from tests.bench.samples import chart_and_profile
from tests.bench.site_years import Size, bulk_store
from tests.stripread.web.conftest import serving

_TIMES = 5


def run() -> None:
    """Print every figure."""
    with tempfile.TemporaryDirectory() as name:
        store = bulk_store(Path(name), chart_and_profile()[0], Size())
        _tell(store)
        store.close()


def _tell(store: Store) -> None:
    intervals, scope = load_intervals(), Scope()
    # A command computes everything anew, as the first call here; a server only what has changed since the last.
    first = seconds(lambda: overview(store, intervals, scope=scope), 1)
    plain = seconds(lambda: _every_row(store), _TIMES)
    found = due_list(store, intervals, scope=scope, weeks=4)
    due = seconds(lambda: due_list(store, intervals, scope=scope, weeks=4), _TIMES)
    seen = seconds(lambda: overview(store, intervals, scope=scope), _TIMES)
    queued = seconds(lambda: queue(store), _TIMES)
    page = _page(store)
    print(f"500 sites, three years of weekly readings: due list of {len(found.items)} things {due:.2f} s of processor "
          f"time, {due / plain:.1f} times a plain SELECT of the list of readings; overview of a command {first:.2f} s, "
          f"{first / plain:.1f} times (7.9 before it paired treated water with feed water), of a server "
          f"without changes {seen:.2f} s; queue for review {queued:.2f} s, {queued / plain:.1f} times; "
          f"page of the overview {page:.2f} s, {page / first:.2f} times the command's query (at most 1.33)")


def _page(store: Store) -> float:
    """Return the time of the page of all sites, from request to answer."""
    workers = Workers(1)
    with serving(store, workers) as served:
        manager = served.role("manager")
        found = seconds(lambda: manager.get("/sites").raise_for_status(), _TIMES)
    workers.end()
    return found


def _every_row(store: Store) -> int:
    with store.viewing() as connection:
        return len(connection.execute(select(READING_INDEX)).all())


if __name__ == "__main__":
    run()
