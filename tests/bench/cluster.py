"""Photographs on a Dask cluster: two workers against one, and the cost of a photograph as their number grows.

`python -m tests.bench.cluster 100 10000` takes about half an hour on two cores.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path
from typing import Final

from stripread.reading.cluster_executor import ClusterExecutor
from stripread.reading.read import ReadingSetup, read_many
from tests.bench.reading import copies
from tests.bench.samples import SITES, chart_and_profile
from tests.dask_cluster import DaskCluster, dask_cluster

FEW, MANY = 100, 1000
#: Photographs by which one worker is compared with two.
_COMPARED: Final = 400
#: Times that a figure is measured; the best counts, for other programs only make it worse.
_TIMES: Final = 2


def _seconds(dask: DaskCluster, photos: list[Path], on: ReadingSetup, times: int = _TIMES) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        assert sum(1 for _ in read_many(photos, on, ClusterExecutor(dask.cluster))) == len(photos)
        taken.append(time.perf_counter() - start)
    return min(taken)


def run(few: int = FEW, many: int = MANY) -> None:
    """Print both ratios."""
    chart, profile, _ = chart_and_profile()
    on = ReadingSetup(chart, (profile,))
    with tempfile.TemporaryDirectory() as name:
        photos = sorted(copies(Path(name), many // len(SITES)).iterdir())
        compared = photos[:_COMPARED]
        dask_folder = Path(name) / "dask"
        dask_folder.mkdir()
        with dask_cluster(dask_folder, 1) as dask:
            _seconds(dask, photos[:few], on, 1)  # imports
            one = _seconds(dask, compared, on)
            dask.add_worker()
            dask.wait_for_workers()
            _seconds(dask, photos[:few], on, 1)
            two, small, large = _seconds(dask, compared, on), _seconds(dask, photos[:few], on), _seconds(
                dask, photos, on, 1)
    print(f"cluster, {len(compared)} photographs: two workers {one / two:.2f} times as fast as one (at least 1.7)")
    print(f"cluster, two workers: a photograph of {len(photos)} takes {large / len(photos) / (small / few):.2f} times "
          f"one of {few} (at most 1.1)")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("few", type=int, nargs="?", default=FEW)
    parser.add_argument("many", type=int, nargs="?", default=MANY)
    run(**vars(parser.parse_args()))
