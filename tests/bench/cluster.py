"""Photographs on a Dask cluster: two workers against one, and the cost of a photograph as their number grows.

`python -m tests.bench.cluster 100 10000` takes about half an hour on two cores. `--stub` replaces the evaluation by a
pause of 4 ms, so that only the cost of scheduler, client and workers is left: processor time for a photograph in each
tenth of the run, in less than a minute.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median
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
#: Times that the few are measured, half of them before the many and half after: their median is compared.
_FEW_TIMES: Final = 6
_PAUSE_S: Final = 0.004


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
        # The first of them are of all sites, as the whole is: photographs differ in cost by 9 %.
        photos = sorted(copies(Path(name), -(-many // len(SITES))).iterdir(), key=_copy)[:many]
        compared = photos[:_COMPARED]
        dask_folder = Path(name) / "dask"
        dask_folder.mkdir()
        with dask_cluster(dask_folder, 1) as dask:
            _seconds(dask, photos[:few], on, 1)  # imports
            one = _seconds(dask, compared, on)
            dask.add_worker()
            dask.wait_for_workers()
            _seconds(dask, photos[:few], on, 1)
            two = _seconds(dask, compared, on)
            small = [_seconds(dask, photos[:few], on, 1) for _ in range(_FEW_TIMES // 2)]
            large = _seconds(dask, photos, on, 1)
            small += [_seconds(dask, photos[:few], on, 1) for _ in range(_FEW_TIMES // 2)]
    print(f"cluster, {len(compared)} photographs: two workers {one / two:.2f} times as fast as one (at least 1.7)")
    print(f"cluster, two workers: a photograph of {len(photos)} takes "
          f"{large / len(photos) / (median(small) / few):.2f} times one of {few} (at most 1.1)")


def _copy(photo: Path) -> tuple[int, str]:
    site, _, number = photo.stem.rpartition("-")
    return int(number), site


def run_stub(jobs: int) -> None:
    """Print the processor time of scheduler, workers and client for a job, in each tenth of a run."""
    with tempfile.TemporaryDirectory() as name, dask_cluster(Path(name), 2) as dask:
        processes = [os.getpid(), *(process.pid for process in (dask.scheduler, *dask.workers))]
        spent, tenths = _processor_s(processes), []
        for n, result in enumerate(ClusterExecutor(dask.cluster).map(_pause, _PAUSE_S, range(jobs)), 1):
            assert result == n - 1
            if n % (jobs // 10) == 0:
                spent, before = _processor_s(processes), spent
                tenths.append(1000 * (spent - before) / (jobs // 10))
    print(f"cluster, {jobs} jobs of {1000 * _PAUSE_S:g} ms: processor time of a job in each tenth of the run, ms: "
          f"{', '.join(f'{t:.2f}' for t in tenths)}; last half {sum(tenths[5:]) / sum(tenths[:5]):.2f} times the first "
          f"(at most 1.1)")


def _pause(seconds: float, job: int) -> int:
    time.sleep(seconds)
    return job


def _processor_s(processes: Sequence[int]) -> float:
    """Processor time of processes so far in seconds (Linux, proc(5))."""
    fields = [Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split() for pid in processes]
    return sum(int(f[11]) + int(f[12]) for f in fields) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("few", type=int, nargs="?", default=FEW)
    parser.add_argument("many", type=int, nargs="?", default=MANY)
    parser.add_argument("--stub", action="store_true")
    args = parser.parse_args()
    if args.stub:
        run_stub(args.many)
    else:
        run(args.few, args.many)
