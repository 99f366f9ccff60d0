"""The whole year of the sample company: how often intervals contain the true value, and time: ``make soak``."""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from stripread.demo import story
from stripread.demo.company import YEAR
from stripread.demo.construction import worker_pool
from stripread.demo.story import Excerpt
from stripread.demo.year import build
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.store import Store, open_store

#: Least share of 95 % intervals that contain the true value. Readings on one chart share its error: not 95 %.
_LEAST = 0.9


def distances(store: Store, start: date, part: Excerpt = story.WHOLE) -> dict[str, list[float]]:
    """Distance of each true value from the interval measured for it, in widths of that, by analyte; 0: inside."""
    visits = {visit.name(start): visit for visit in story.visits(part)}
    names = {p.id: p.name for p in store.find(Photograph)}
    found: dict[str, list[float]] = defaultdict(list)
    for reading in store.find(StoredReading):
        visit = visits.get(names[reading.photograph])
        for value in reading.reading.values() if visit is not None else ():
            true = visit.values[value.analyte] if visit else 0.0
            found[value.analyte].append(max(value.low - true, true - value.high, 0.0) / (value.high - value.low))
    return found


def run() -> bool:
    """Print the share for each analyte; whether all are large enough."""
    end, began = datetime.now(UTC).date(), time.perf_counter()
    with TemporaryDirectory() as folder, worker_pool() as pool:
        store = open_store(build(Path(folder), end, pool))
        found = distances(store, end - timedelta(days=YEAR - 1))
        store.close()
    shares = {analyte: float(np.mean(np.array(beyond) == 0)) for analyte, beyond in found.items()}
    for analyte, share in shares.items():
        print(f"{analyte}: {100 * share:.1f} % of {len(found[analyte])} intervals contain the true value "
              f"(at least {100 * _LEAST:.0f})")
    print(f"built in {time.perf_counter() - began:.0f} s")
    return len(shares) == 5 and min(shares.values()) >= _LEAST


if __name__ == "__main__":
    sys.exit(not run())
