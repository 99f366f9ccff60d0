"""A service of thousands of sites on PostgreSQL: lists, searches, status, schedule, review queue, page of a reading.

Every query is measured in stores of 50, 500 and 5,000 sites with 200 readings each, together with the rows that it
returns. ``--explain`` prints the plans of the statements of the slow ones. The larger store takes a while to make:
`python -m tests.bench.service 50 500` omits it.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import timedelta
from pathlib import Path
from statistics import median
from typing import Any, Final

from sqlalchemy import text

from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import overview, status_of
from stripread.review.queue import QueueFilter, count_queue, queue, view_from
from stripread.store.lookup import search_points
from stripread.store.reading_history import load_history
from stripread.store.reading_query import ReadingFilter, count_readings, readings
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store
from stripread.web.listing import COUNTED
from tests.bench.service_store import NOW, PER_SITE, populate
from tests.services import Postgresql, find_postgresql
from tests.statements import noted_statements, selects

#: Sites of the three stores; lines of a page; times that a query is repeated after a first one that fills the caches.
SITES, PAGE, TIMES = (50, 500, 5000), 50, 3
#: Seconds from which the plans of a query are printed.
SLOW_S: Final = 0.1
Query = Callable[[Store], Any]


def _list(**wanted: Any) -> Query:
    return lambda store: readings(store, ReadingFilter(**wanted), PAGE)


def _total(**wanted: Any) -> Query:
    """The number of matching readings as the page of the list counts them, one row."""
    return lambda store: [count_readings(store, ReadingFilter(**wanted), COUNTED + 1)]


def _middle(store: Store) -> list[Any]:
    (there,) = readings(store, ReadingFilter(until=NOW - timedelta(days=500)), 1)
    return readings(store, ReadingFilter(), PAGE, before=there.id)


def _one(store: Store) -> list[Any]:
    (latest,) = readings(store, ReadingFilter(point="site 0007 treated"), 1)
    return [load_history(store, latest.id)]


def _place(store: Store) -> list[Any]:
    """The queue as the page of its hundredth reading needs it."""
    reading = queue(store, QueueFilter(), 100)[-1].reading
    view = view_from(store, QueueFilter(), reading, 14)
    return [*view.before, view.entry, *view.behind]


def _due(scope: Scope) -> Query:
    return lambda store: due_list(store, load_intervals(), scope=scope, weeks=8).items


#: By name; the functions that pages and commands call.
QUERIES: Final[Mapping[str, Query]] = {
    "readings": _list(),
    "readings, page in the middle": _middle,
    "readings of a site": _list(site="site 0007"),
    "readings of a group": _list(group="group 0"),
    "readings of a point": _list(point="site 0007 tap"),
    "readings of a batch": _list(batch="B03"),
    "readings of an unknown batch": _list(batch="none"),
    "readings of a week": _list(since=NOW - timedelta(days=200), until=NOW - timedelta(days=193)),
    "readings out of limits": _list(verdict="out-of-limits"),
    "readings without result": _list(status="no-result"),
    "readings with a frequent flag": _list(flag="blurred"),
    "readings with a rare flag": _list(flag="glare"),
    "readings with a flag none has": _list(flag="early"),
    "readings not reviewed": _list(reviewed="unreviewed"),
    "readings rejected": _list(reviewed="rejected"),
    "readings corrected": _list(corrected=True),
    "readings superseded": _list(state="superseded"),
    "search: site": _list(search="mill 0007"),
    "search: photograph": _list(search="site 0007 123"),
    "search: nothing found": _list(search="no such name"),
    "number of readings": _total(),
    "number of readings out of limits": _total(verdict="out-of-limits"),
    "number of readings of a site": _total(site="site 0007"),
    "search for a sampling point": lambda store: search_points(store, "0007"),
    "page of one reading": _one,
    "status of one site": lambda store: [status_of(store, load_intervals(), "site 0007")],
    "overview of a group": lambda store: overview(store, load_intervals(), scope=Scope(group="group 0")).sites,
    "overview of all sites": lambda store: overview(store, load_intervals(), scope=Scope()).sites,
    "schedule of a group": _due(Scope(group="group 0")),
    "schedule of all sites": _due(Scope()),
    "review queue of a group, whole": lambda store: queue(store, QueueFilter(group="group 0")),
    "review queue, first page": lambda store: queue(store, QueueFilter(), PAGE),
    "review queue, first page of the oldest": lambda store: queue(store, QueueFilter(), PAGE, oldest_first=True),
    "review queue, readings with flags": lambda store: queue(store, QueueFilter(reason="flags"), PAGE),
    "review queue, random sample": lambda store: queue(store, QueueFilter(reason="drawn"), PAGE),
    "review queue, search": lambda store: queue(store, QueueFilter(search="mill 0007"), PAGE),
    "review queue, page of a reading": _place,
    "number of readings in the review queue": lambda store: [count_queue(store)],
    "review queue, whole": queue,
}


def timed(store: Store, query: Query) -> tuple[float, int]:
    """Return the median wall time of a query in seconds, and the number of rows it returns."""
    rows, taken = len(query(store)), []
    for _ in range(TIMES):
        start = time.perf_counter()
        query(store)
        taken.append(time.perf_counter() - start)
    return median(taken), rows


def plans(store: Store, query: Query) -> Iterator[str]:
    """Return the plans, with times and buffers, of the statements that a query executes."""
    with noted_statements(store) as noted:
        query(store)
    with store.engine.connect() as connection:
        for sql, parameters in selects(noted):
            yield f"\n{sql}"
            yield from connection.exec_driver_sql(f"EXPLAIN (ANALYZE, BUFFERS) {sql}", parameters).scalars()


@contextmanager
def server() -> Iterator[Postgresql]:
    """A PostgreSQL server of its own, which ends with the block."""
    binaries, folder = find_postgresql(), Path(tempfile.mkdtemp(prefix="postgresql-"))
    if binaries is None:
        raise SystemExit("no PostgreSQL server on this machine; install the package postgresql")
    started = Postgresql(binaries, folder)
    try:
        started.start()
        yield started
    finally:
        started.stop()
        shutil.rmtree(folder)


def measure(stores: Mapping[int, Store], *, explain: bool = False) -> None:
    """Print a line for each query: rows and time in each store, and the time a row against the smallest store."""
    sizes = [f"{PER_SITE * sites:,}" for sites in stores]
    print(f"| query | {' | '.join(f'{n} readings: rows, ms' for n in sizes)} | times per row |")
    print("|---|" + "---|" * (len(sizes) + 1))
    for name, query in QUERIES.items():
        taken = [timed(store, query) for store in stores.values()]
        (first, few), (last, many) = taken[0], taken[-1]
        growth = (last / max(1, many)) / (first / max(1, few))
        print(f"| {name} | {' | '.join(f'{rows:,}, {1000 * s:.0f}' for s, rows in taken)} | {growth:.1f} |", flush=True)
        if explain and last > SLOW_S:
            print("\n".join(plans(list(stores.values())[-1], query)), flush=True)


def run(sites: tuple[int, ...] = SITES, *, explain: bool = False) -> None:
    """Make the stores and measure them."""
    with server() as postgresql, tempfile.TemporaryDirectory() as photographs:
        stores: dict[int, Store] = {}
        for n in sites:
            settings = Settings(database=postgresql.create(f"service_{n}"), photographs=photographs)
            with closing(open_store(settings, clock=lambda: NOW)) as store:
                populate(store, n)
                with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                    connection.execute(text("VACUUM ANALYZE"))
            stores[n] = store
        measure(stores, explain=explain)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("sites", type=int, nargs="*", default=SITES)
    parser.add_argument("--explain", action="store_true")
    args = parser.parse_args()
    run(tuple(args.sites), explain=args.explain)
