"""Work of the sample company that runs in other processes: calibration, rendering, evaluation."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec

from calibration.chart import Chart
from shared.card import default_card
from shared.strip import default_strip
from stripread.demo.printing import print_profile
from stripread.demo.render import Shot, render
from stripread.demo.standards import standard_shots, write_shots, write_table
from stripread.intake.receive import PhotoInfo, inspect_photo
from stripread.reading.calibrate import Material, calibrate_material
from stripread.reading.executors import Given, Job, Result
from stripread.reading.photo_file import PhotoFile


class WorkerPool:
    """Processes that stay for the whole story."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self._pool = pool

    def map(self, work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job], /) -> Iterator[Result]:
        """Return the results of the jobs in order, as an `Executor`."""
        waiting = [self._pool.submit(work, given, job) for job in jobs]
        return (one.result() for one in waiting)

    def calibrated(self, batch: str, made: datetime) -> Future[Chart]:
        """Return the chart of a batch, once its standards are photographed and fitted."""
        return self._pool.submit(calibrated, batch, made)

    def rendered(self, shot: Shot, name: str) -> Future[tuple[bytes, PhotoInfo]]:
        """Return a photograph and the information in it, once it is rendered."""
        return self._pool.submit(rendered, shot, name)


@contextmanager
def worker_pool(processes: int | None = None) -> Iterator[WorkerPool]:
    """Return a pool of processes [default: one per core]."""
    # Spawned, not forked: OpenCV's threads do not survive a fork.
    with ProcessPoolExecutor(processes or os.cpu_count(), get_context("spawn"), _single_threaded) as pool:
        try:
            yield WorkerPool(pool)
        finally:
            pool.shutdown(cancel_futures=True)


def _single_threaded() -> None:
    from stripread.reading.decoder import start_early

    start_early()
    import cv2

    cv2.setNumThreads(1)


def rendered(shot: Shot, name: str) -> tuple[bytes, PhotoInfo]:
    """Render a photograph; return its bytes and the information in it."""
    data = render(shot)
    return data, inspect_photo(PhotoFile(name, data), for_label=False)


def calibrated(batch: str, made: datetime) -> Chart:
    """Photograph the standards of a batch, fit its chart and date it ``made``."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        taken = list(standard_shots(folder, batch, made))
        list(write_shots([one for one, _ in taken]))
        material = Material(default_card(), default_strip(), print_profile(), write_table(folder, taken), batch)
        chart = calibrate_material(material).chart
    conditions = msgspec.structs.replace(chart.conditions, made=made.isoformat(timespec="seconds"))
    return msgspec.structs.replace(chart, conditions=conditions)
