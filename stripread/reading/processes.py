"""The same work on many things, on several processes where that pays, in the order given."""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Any, TypeVar

Given = TypeVar("Given")
Job = TypeVar("Job")
Result = TypeVar("Result")

#: Jobs handed to a process before its first answer is awaited: enough to keep it busy, few in memory.
_AHEAD = 4


def sensible_processes(jobs: int, *, worth: int) -> int:
    """As many processes as there are cores, but none with less to do than the ``worth`` of starting it, in jobs."""
    return max(1, min(os.cpu_count() or 1, jobs // worth))


def each_of(work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job],
            processes: int) -> Iterator[Result]:
    """What ``work`` (a function of a module) makes of each job and of what is ``given`` for all.

    Jobs are drawn only as they are needed.
    """
    if processes == 1:
        yield from (work(given, job) for job in jobs)
        return
    # Spawned, not forked: OpenCV's threads do not survive a fork.
    with ProcessPoolExecutor(processes, get_context("spawn"), _prepare, (work, given)) as pool:
        try:
            yield from _in_order(pool, jobs, processes * _AHEAD)
        finally:  # whoever stops early waits for what is being done, not for what was handed over
            pool.shutdown(cancel_futures=True)


def _in_order(pool: ProcessPoolExecutor, jobs: Iterable[Any], ahead: int) -> Iterator[Any]:
    waiting: deque[Future[Any]] = deque()
    for job in jobs:
        with _uninterrupted():
            waiting.append(pool.submit(_do, job))
        if len(waiting) >= ahead:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Ctrl-C waits until this is over, and processes started meanwhile never see it: only who started them ends them.

    Else one that is still being started would complain of half of what it was given.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


#: What a process works with, given once when it starts.
_here: list[tuple[Callable[..., Any], Any]] = []


def _prepare(work: Callable[..., Any], given: object) -> None:
    from stripread.reading.decoder import start_early

    start_early()
    import cv2

    cv2.setNumThreads(1)
    _here.append((work, given))


def _do(job: object) -> Any:
    work, given = _here[-1]
    return work(given, job)
