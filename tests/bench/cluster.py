"""Photographs on a Dask cluster: two workers against one, and the cost of a photograph as their number grows.

`python -m tests.bench.cluster 100 10000` takes about ten minutes on two idle cores. Each figure is printed as soon as
it is known, so that a run that is stopped has shown what it measured. Wall time needs idle cores; processor time, that
of client, scheduler, workers and their decoders, is nearly independent of other programs, and so is the ratio of speeds
that it allows on two cores. `--stub` replaces the evaluation by a pause of 4 ms, so that only a task's cost is left.
"""

from __future__ import annotations

import argparse
import os
import signal
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
#: Photographs by which one worker is compared with two, and how often; the runs take turns. Connecting and the last
#: tasks, during which a core has no work, take 0.1 s of a run.
_COMPARED: Final = 200
_TURNS: Final = 4
#: Times that the few are measured, half of them before the many and half after: their median is compared.
_FEW_TIMES: Final = 6
_PARTS: Final = 10
_PAUSE_S: Final = 0.004


class Cost(NamedTuple):
    """Of a photograph: wall time and processor time in seconds; ``worker``: processor time of the workers."""

    wall: float
    processor: float
    worker: float


class Run(NamedTuple):
    """Cost in each part of a run; seconds to its first result; memory of the client after it in MB."""

    parts: tuple[Cost, ...]
    first: float
    memory: int

    @property
    def mean(self) -> Cost:
        """The mean cost."""
        return Cost(*(sum(field) / len(self.parts) for field in zip(*self.parts, strict=True)))


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
    turns = [(_alone(one, two, photos, on), _alone(two, one, photos, on)) for _ in range(_TURNS)]
    costs = [(a.mean, b.mean) for a, b in turns]
    faster = median(a.wall / b.wall for a, b in costs)
    dearer = median(b.processor / a.processor for a, b in costs)
    # One worker works alone on its core; with two, client and scheduler share the cores with the workers.
    allowed = median(a.worker / (b.processor / 2) for a, b in costs)
    print(f"cluster, {len(photos)} photographs, median of {_TURNS} turns: two workers {faster:.2f} times as fast as "
          f"one (at least 1.7 on two idle cores; processor time allows {allowed:.2f}), with {dearer:.2f} times the "
          "processor time (at most 1.1)", flush=True)


def _alone(dask: DaskCluster, other: DaskCluster, photos: list[Path], on: ReadingSetup) -> Run:
    """Read while the other cluster is stopped: without work its processes take 5 % of a core."""
    try:
        for process in other.processes:
            process.send_signal(signal.SIGSTOP)
        return _read(dask, photos, on)
    finally:
        for process in other.processes:
            process.send_signal(signal.SIGCONT)


def _read(dask: DaskCluster, photos: list[Path], on: ReadingSetup) -> Run:
    return list(_growing(dask, photos, on, 1))[-1]


def _growing(dask: DaskCluster, photos: list[Path], on: ReadingSetup, parts: int) -> Iterator[Run]:
    """Yield the run so far after each part of it."""
    begun, before, costs = time.perf_counter(), _used_s(dask), list[Cost]()
    first, at, read = 0.0, begun, 0
    results = read_many(photos, on, ClusterExecutor(dask.cluster))
    size = len(photos) // parts
    for _ in range(parts):
        for result in islice(results, size):
            assert not isinstance(result, ReadError), result.message
            first = first or time.perf_counter() - begun
            read += 1
        now, used = time.perf_counter(), _used_s(dask)
        costs.append(Cost((now - at) / size, *((u - b) / size for u, b in zip(used, before, strict=True))))
        at, before = now, used
        yield Run(tuple(costs), first, _memory_mb(os.getpid()))
    assert read == len(photos) // parts * parts


def _grow(dask: DaskCluster, photos: list[Path], few: int, on: ReadingSetup) -> None:
    small = [_read(dask, photos[:few], on) for _ in range(_FEW_TIMES // 2)]
    run_ = small[0]
    for run_ in _growing(dask, photos, on, _PARTS):
        _print_growth(run_, small, few, len(photos))
    small += [_read(dask, photos[:few], on) for _ in range(_FEW_TIMES // 2)]
    _print_growth(run_, small, few, len(photos))


def _print_growth(run_: Run, small: list[Run], few: int, many: int) -> None:
    """Print a photograph's cost in a run of many so far, against that of one of few."""
    wall, processor, _ = (whole / median(parts)
                          for whole, *parts in zip(run_.mean, *(each.mean for each in small), strict=True))
    print(f"cluster, two workers: each of {len(run_.parts) * (many // _PARTS)} photographs takes {wall:.2f} times as "
          f"long as of {few}, and {processor:.2f} times the processor time (at most 1.1): "
          f"{1000 * run_.parts[-1].wall:.0f} ms, {1000 * run_.parts[-1].processor:.0f} ms in the last part; "
          f"first result after {run_.first:.1f} s ({few}: {median(run_.first for run_ in small):.1f} s); client "
          f"{run_.memory} MB ({few}: {small[0].memory} MB)", flush=True)


def _copy(photo: Path) -> tuple[int, str]:
    site, _, number = photo.stem.rpartition("-")
    return int(number), site


def _used_s(dask: DaskCluster) -> tuple[float, float]:
    """Return the processor time so far of client and cluster, and of the workers with their decoders."""
    workers = [process.pid for process in dask.workers]
    used = processor_s([*workers, *(child for worker in workers for child in _children(worker))])
    return used + processor_s([os.getpid(), dask.scheduler.pid]), used


def run_stub(jobs: int) -> None:
    """Print the processor time of a task, and the memory of scheduler and client, in each tenth of a run."""
    cluster_executor._MOST_JOBS = 1  # as with photographs, which take longer than a task should
    with tempfile.TemporaryDirectory() as name, dask_cluster(Path(name), 2) as dask:
        results, parts, used = ClusterExecutor(dask.cluster).map(_pause, _PAUSE_S, range(jobs)), [], _used_s(dask)
        for number in range(1, _PARTS + 1):
            assert len(list(islice(results, jobs // _PARTS))) == jobs // _PARTS
            before, used = used, _used_s(dask)
            parts.append(used[0] - before[0])
            print(f"cluster, {number * (jobs // _PARTS)} tasks: {1000 * parts[-1] * _PARTS / jobs:.2f} ms of processor "
                  f"time each, {_memory_mb(dask.scheduler.pid)} MB in the scheduler, {_memory_mb(os.getpid())} MB in "
                  "the client", flush=True)
    half = _PARTS // 2
    print(f"cluster, {jobs} tasks: last half {sum(parts[half:]) / sum(parts[:half]):.2f} times the first (at most 1.1)")


def _pause(seconds: float, job: int) -> int:
    time.sleep(seconds)
    return job


def processor_s(processes: Iterable[int]) -> float:
    """Return the processor time of processes so far in seconds (Linux, proc(5))."""
    fields = [Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split() for pid in processes]
    return sum(int(f[11]) + int(f[12]) for f in fields) / os.sysconf("SC_CLK_TCK")


def _children(pid: int) -> list[int]:
    """Return the children of a process (Linux, proc(5))."""
    lists = (path.read_text().split() for path in Path(f"/proc/{pid}/task").glob("*/children"))
    return [int(child) for children in lists for child in children]


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
