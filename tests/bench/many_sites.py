"""500 sites with three years of weekly readings: due list, overview as command and page, preview of 40 points."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from time import perf_counter

from sqlalchemy import select

from stripread.intake.reassess import preview_changes
from stripread.intake.terms import limit_sets, own_terms
from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import overview
from stripread.operations.assignment import limit_changes, put_limits
from stripread.review.queue import queue
from stripread.store.accounts import list_accounts
from stripread.store.models.sites import LimitAssignment, SamplingPoint
from stripread.store.schema import READING_INDEX
from stripread.store.site_access import ALL_SITES
from stripread.store.store import Store
from stripread.web.worker import WorkerExecutor, Workers
from tests.bench.reading import seconds
from tests.bench.samples import chart_and_profile
from tests.bench.site_years import Size, bulk_store
from tests.stripread.web.conftest import serving

_TIMES = 5
#: Points that a preview assesses; half of all have readings.
_POINTS = 40


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
    query = seconds(lambda: overview(_anew(store), intervals, scope=scope), 1)
    page, anew = _page(store)
    print(f"500 sites, three years of weekly readings: due list of {len(found.items)} things {due:.2f} s of processor "
          f"time, {due / plain:.1f} times a plain SELECT of the list of readings; overview of a command {first:.2f} s, "
          f"{first / plain:.1f} times (7.9 before it paired treated water with feed water), of a server "
          f"without changes {seen:.2f} s; queue for review {queued:.2f} s, {queued / plain:.1f} times; "
          f"page of the overview {anew:.2f} s for the first request of a server, {anew / query:.2f} times the "
          f"command's query (at most 1.33), {page:.2f} s without changes")
    _preview(store)


def _anew(store: Store) -> Store:
    """Return the store as another process opens it: nothing of it is computed yet."""
    return Store(store.engine, store.photographs, store.clock, store.review)


def _page(store: Store) -> tuple[float, float]:
    """Return the time of the page of all sites from request to answer, again and for the first time."""
    workers = Workers(1)
    with serving(store, workers) as served:
        manager = served.role("manager")
        found = seconds(lambda: manager.get("/sites").raise_for_status(), _TIMES)
    with serving(_anew(store), workers) as served:
        manager = served.role("manager")
        first = seconds(lambda: manager.get("/sites").raise_for_status(), 1)
    workers.end()
    return found, first


def _preview(store: Store) -> None:
    """Print how long a preview of limits that assesses 40 points takes, and how long other writers wait for it."""
    account = next(a.account for a in list_accounts(store))
    assigned = LimitAssignment(since=date(2000, 1, 1), limits=min(limit_sets(own_terms(store))))
    changes = limit_changes(store, ALL_SITES, store.ids(SamplingPoint)[:2 * _POINTS], assigned)
    held: list[float] = []

    def change(trial: Store) -> list[SamplingPoint]:
        held.append(perf_counter())
        return put_limits(trial, account, changes, assigned)

    @contextmanager
    def timed() -> Iterator[Store]:
        with Store.trial(store) as trial:
            yield trial
        held[-1] = perf_counter() - held[-1]

    watched = _anew(store)
    watched.trial = timed  # type: ignore[method-assign]
    workers = Workers(2)
    executor = WorkerExecutor(workers, workers.count)
    preview_changes(watched, change, 1, executor)
    serial = elapsed(lambda: preview_changes(watched, change, _POINTS))
    held.clear()
    found = elapsed(lambda: preview_changes(watched, change, _POINTS, executor))
    print(f"preview of other limits with {_POINTS} assessments: {found:.1f} s with two workers (at most 5 on an idle "
          f"machine), {found / serial:.2f} times as long as without; writers wait at most {max(held):.2f} s "
          f"(at most 0.5 on an idle machine)")
    workers.end()


def elapsed(work: Callable[[], object]) -> float:
    """Return the seconds by the clock: other processes take part in the work."""
    begun = perf_counter()
    work()
    return perf_counter() - begun


def _every_row(store: Store) -> int:
    with store.viewing() as connection:
        return len(connection.execute(select(READING_INDEX)).all())


if __name__ == "__main__":
    run()
