"""The whole year of the sample company: how often intervals contain the true value, and time: ``make soak``."""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from stripread.demo.company import YEAR
from stripread.demo.workers import worker_pool
from stripread.demo.year import build
from stripread.store.store import open_store
from tests.stripread.demo.truth import distances

#: Least share of 95 % intervals that contain the true value. Readings on one chart share its error: not 95 %.
_LEAST = 0.9


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
