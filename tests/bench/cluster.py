"""Photographs on a Dask cluster: two workers against one, and the cost of a photograph as their number grows.

`python -m tests.bench.cluster 100 10000` takes about half an hour on two cores. Each figure is printed as soon as it is
known, so that a run that is stopped has shown what it measured. Wall time needs idle cores; processor time, that of
client, scheduler and workers together, is nearly independent of other programs. `--stub` replaces the evaluation by a
pause of 4 ms, so that only the cost of a task is left.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from statistics import median
from typing import Final, NamedTuple

from stripread.reading import cluster_executor
from stripread.reading.cluster_executor import ClusterExecutor
from stripread.reading.read import ReadError, ReadingSetup, read_many
from tests.bench.reading import copies
from tests.bench.samples import SITES, chart_and_profile
from tests.dask_cluster import DaskCluster, dask_cluster

FEW, MANY = 100, 1000
#: Photographs by which one worker is compared with two, and how often; the runs take turns.
_COMPARED: Final = 100
_TURNS: Final = 4
#: Times that the few are measured, half of them before the many and half after: their median is compared.
_FEW_TIMES: Final = 6
_PARTS: Final = 10
_PAUSE_S: Final = 0.004


class Cost(NamedTuple):
    """Of a photograph: wall time and processor time in seconds."""

    wall: float
    processor: float


def _part(dask: DaskCluster, results: Iterable[object], count: int) -> Cost:
    """Return the cost of each of the next ``count`` results."""
    processes = [os.getpid(), *(process.pid for process in (dask.scheduler, *dask.workers))]
    begun, before = time.perf_counter(), processor_s(processes)
    taken = list(islice(results, count))
    cost = Cost((time.perf_counter() - begun) / count, (processor_s(processes) - before) / count)
    assert len(taken) == count
    assert not [result.message for result in taken if isinstance(result, ReadError)]
    return cost


def _read(dask: DaskCluster, photos: list[Path], on: ReadingSetup) -> Cost:
    return _part(dask, read_many(photos, on, ClusterExecutor(dask.cluster)), len(photos))


def run(few: int = FEW, many: int = MANY) -> None:
    """Print both comparisons."""
    chart, profile, _ = chart_and_profile()
    on = ReadingSetup(chart, (profile,))
    with tempfile.TemporaryDirectory() as name:
        # The first of them are of all sites, as the whole is: photographs differ in cost by 9 %.
        photos = sorted(copies(Path(name), -(-many // len(SITES))).iterdir(), key=_copy)[:many]
        with dask_cluster(_folder(name, "two"), 2) as two:
            with dask_cluster(_folder(name, "one"), 1) as one:
                _compare(one, two, photos[:_COMPARED], on)
            _grow(two, photos, few, on)


def _folder(name: str, cluster: str) -> Path:
    folder = Path(name) / cluster
    folder.mkdir()
    return folder


def _compare(one: DaskCluster, two: DaskCluster, photos: list[Path], on: ReadingSetup) -> None:
    for dask in (one, two):
        _read(dask, photos, on)  # imports
    turns = [(_read(one, photos, on), _read(two, photos, on)) for _ in range(_TURNS)]
    faster, dearer = median(a.wall / b.wall for a, b in turns), median(b.processor / a.processor for a, b in turns)
    print(f"cluster, {len(photos)} photographs, median of {_TURNS} turns: two workers {faster:.2f} times as fast as "
          f"one (at least 1.7 on two idle cores), with {dearer:.2f} times the processor time (at most 1.1)", flush=True)


def _grow(dask: DaskCluster, photos: list[Path], few: int, on: ReadingSetup) -> None:
    small = [_read(dask, photos[:few], on) for _ in range(_FEW_TIMES // 2)]
    parts = []
    for part in _parts(dask, read_many(photos, on, ClusterExecutor(dask.cluster)), len(photos)):
        parts.append(part)
        _print_growth(parts, small, few, len(photos))
    small += [_read(dask, photos[:few], on) for _ in range(_FEW_TIMES // 2)]
    _print_growth(parts, small, few, len(photos))


def _print_growth(parts: list[Cost], small: list[Cost], few: int, many: int) -> None:
    """Print the cost of a photograph of many so far, against that of one of few."""
    wall, processor = (sum(p[i] for p in parts) / len(parts) / median(s[i] for s in small) for i in (0, 1))
    print(f"cluster, two workers: each of {len(parts) * (many // _PARTS)} photographs takes {wall:.2f} times as long "
          f"as of {few}, and {processor:.2f} times the processor time (at most 1.1)", flush=True)


def _parts(dask: DaskCluster, results: Iterator[object], count: int) -> Iterator[Cost]:
    """Yield the cost of a result in each tenth of a run."""
    for _ in range(_PARTS):
        yield _part(dask, results, count // _PARTS)


def _copy(photo: Path) -> tuple[int, str]:
    site, _, number = photo.stem.rpartition("-")
    return int(number), site


def run_stub(jobs: int) -> None:
    """Print the processor time of a task, and the memory of scheduler and client, in each tenth of a run."""
    cluster_executor._MOST_JOBS = 1  # as with photographs, which take longer than a task should
    with tempfile.TemporaryDirectory() as name, dask_cluster(Path(name), 2) as dask:
        parts = []
        for part in _parts(dask, ClusterExecutor(dask.cluster).map(_pause, _PAUSE_S, range(jobs)), jobs):
            parts.append(part.processor)
            print(f"cluster, {len(parts) * (jobs // _PARTS)} tasks: {1000 * part.processor:.2f} ms of processor time "
                  f"each, {_memory_mb(dask.scheduler.pid)} MB in the scheduler, {_memory_mb(os.getpid())} MB in the "
                  "client", flush=True)
    half = _PARTS // 2
    print(f"cluster, {jobs} tasks: last half {sum(parts[half:]) / sum(parts[:half]):.2f} times the first (at most 1.1)")


def _pause(seconds: float, job: int) -> int:
    time.sleep(seconds)
    return job


def processor_s(processes: Iterable[int]) -> float:
    """Return the processor time of processes so far in seconds (Linux, proc(5))."""
    fields = [Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split() for pid in processes]
    return sum(int(f[11]) + int(f[12]) for f in fields) / os.sysconf("SC_CLK_TCK")


def _memory_mb(pid: int) -> int:
    """Return the resident memory of a process (Linux, proc(5))."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") // 2**20


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
