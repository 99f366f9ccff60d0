"""How long lists take over 100 000 stored readings, compared with 1 000: warm queries, and the cold command."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np

from stripread.exchange.readings_table import readings_table
from stripread.store.integrity import verify_store
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store
from tests.bench.many_records import START, build

FEW, MANY = 1_000, 100_000
#: Lines of a page.
_PAGE: Final = 50
#: Each filter once where many match and once where few do.
_FILTERS: Final = {
    "no filter": ReadingFilter(),
    "site": ReadingFilter(site="s7"),
    "group": ReadingFilter(group="g3"),
    "point": ReadingFilter(point="p9"),
    "batch": ReadingFilter(batch="bench"),
    "another batch": ReadingFilter(batch="no such"),
    "a week": ReadingFilter(since=START + timedelta(days=4), until=START + timedelta(days=11)),
    **{f"verdict {v}": ReadingFilter(verdict=v) for v in ("within-limits", "inconclusive", "out-of-limits")},
    "flag blurred": ReadingFilter(flag="blurred"),
    "flag glare": ReadingFilter(flag="glare"),
    "flag none has": ReadingFilter(flag="early"),
    "refused": ReadingFilter(status="no-result"),
    "superseded": ReadingFilter(state="superseded"),
    "any state": ReadingFilter(state=None),
    "unreviewed": ReadingFilter(reviewed="unreviewed"),
    "rejected": ReadingFilter(reviewed="rejected"),
    "disputed": ReadingFilter(reviewed="disputed"),
    "corrected": ReadingFilter(corrected=True),
    "site, out, blurred": ReadingFilter(site="s7", verdict="out-of-limits", flag="blurred"),
}


def seconds(work: Callable[[], object], times: int = 5) -> float:
    """Median wall time of a call."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def lists(few: Store, many: Store) -> None:
    """A page of each filter."""
    few.review = many.review = ReviewPolicy(two_reviewers=True)
    slowest = 0.0
    for name, wanted in _FILTERS.items():
        small, large = (seconds(partial(readings, store, wanted, _PAGE)) for store in (few, many))
        slowest = max(slowest, large)
        print(f"list, {name:20s} {1000 * large:7.1f} ms of {MANY:,}, {large / small:5.1f} times that of {FEW:,}")
    print(f"slowest list of {MANY:,} readings: {slowest:.3f} s (under 0.3)")


def deep(many: Store) -> None:
    """A page in the middle against the first."""
    middle = readings(many, ReadingFilter(until=START + timedelta(minutes=26 * MANY // 2)), 1)[0].id
    first, there = (seconds(partial(readings, many, ReadingFilter(), _PAGE, before)) for before in (None, middle))
    print(f"the page in the middle: {there / first:.1f} times the first")


def cold(few: Path, many: Path) -> None:
    """The whole command, an interpreter started for it."""
    taken = []
    for folder in (few, many):
        places = {"STRIPREAD_DATABASE": f"sqlite:///{folder / 'records.sqlite'}",
                  "STRIPREAD_PHOTOGRAPHS": str(folder / "photos")}
        command = [str(Path(sys.executable).with_name("stripread")), "readings", "list"]
        taken.append(seconds(partial(subprocess.run, command, env={**os.environ, **places}, check=True,
                                     capture_output=True)))
    print(f"stripread readings list, cold: {taken[1]:.2f} s with {MANY:,} readings, "
          f"{taken[1] / taken[0]:.2f} times that with {FEW:,}")


def run() -> None:
    """Print every figure."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        few, many = build(folder / "few", FEW), build(folder / "many", MANY)
        lists(few, many)
        deep(many)
        small, large = (seconds(partial(readings_table, store, ReadingFilter(), limit=FEW)) for store in (few, many))
        print(f"export of the {FEW:,} latest readings as a table: {large / small:.1f} times as long from {MANY:,}")
        cold(folder / "few", folder / "many")
        wrong = verify_store(few).wrong
        print(f"verify of {FEW:,} readings: {wrong or 'all is as the log says'}")
        few.close()
        many.close()
