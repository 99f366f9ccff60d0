"""Independent evaluations run one after the other, or in several processes; results come in the order of the jobs."""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Any, Final, Protocol, TypeVar

Given = TypeVar("Given")
Job = TypeVar("Job")
Result = TypeVar("Result")

#: Jobs queued for each process: enough to keep it busy, few in memory.
_AHEAD = 4


class Executor(Protocol):
    """Runs a function of a module on each job."""

    def map(self, work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job], /) -> Iterator[Result]:
        """Return ``work(given, job)`` for each job, in order. Jobs are drawn only as they are needed."""


@dataclass(frozen=True, slots=True)
class SerialExecutor:
    """Runs jobs in this process."""

    def map(self, work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job], /) -> Iterator[Result]:
        """Return the results as they are asked for."""
        return (work(given, job) for job in jobs)


@dataclass(frozen=True, slots=True)
class ProcessExecutor:
    """Runs jobs in that many processes of this computer; each is sent ``given`` once."""

    processes: int

    def map(self, work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job], /) -> Iterator[Result]:
        """Return the results in order; a few jobs are queued ahead."""
        # Spawned, not forked: OpenCV's threads do not survive a fork.
        with ProcessPoolExecutor(self.processes, get_context("spawn"), _prepare, (work, given)) as pool:
            try:
                yield from _in_order(pool, jobs, self.processes * _AHEAD)
            finally:  # a caller that stops early waits for the running jobs, not for the queued ones
                pool.shutdown(cancel_futures=True)


SERIAL: Final = SerialExecutor()


def executor_for(jobs: int, *, worth: int, processes: int | None = None) -> Executor:
    """Return an executor with ``processes`` processes [default: as many as are worth starting, at most one a core].

    ``worth``: the number of jobs that take as long as starting a process.
    """
    count = processes or min(os.cpu_count() or 1, jobs // worth)
    return ProcessExecutor(count) if count > 1 else SERIAL


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
    """Block Ctrl-C until the end of the block, and in processes started meanwhile: only their parent ends them.

    Otherwise a process that is being started would report that its input is incomplete.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


#: The function and its first argument, sent once when a process starts.
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
