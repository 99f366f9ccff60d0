"""Worker processes that decode and evaluate, so that a malicious image crashes one worker, not the server.

They wait in a pool with a bounded queue, ordered by priority, then by arrival. Data and time of each task are limited.
Workers return bytes, never pickles: a compromised worker process cannot make the server run code.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from itertools import count
from multiprocessing import get_context
from threading import Condition
from typing import Final, Generic, TypeVar, get_type_hints

from shared.decoders import from_json
from shared.errors import PhotoError
from stripread.reading.executors import Given, Job, Result
from stripread.web import worker_process
from stripread.web.refusals import HTTPRefusal
from stripread.web.worker_process import DONE, REFUSED, STEP, run

T = TypeVar("T")
#: Retry-After, seconds.
_AGAIN_S = 10


class PriorityPool(Generic[T]):
    """Objects of one kind, each used by one client at a time."""

    def __init__(self, things: Iterable[T]) -> None:
        self._free = list(things)
        self._changed = Condition()
        self._waiting: list[tuple[int, int]] = []
        self._number = count()

    def take(self, urgency: int, patience_s: float, most: int) -> T:
        """Return an object, to be released. Raises HTTPRefusal (503) for a full queue or a timeout."""
        with self._changed:
            if len(self._waiting) >= most:
                raise HTTPRefusal(503, "busy", wait_s=_AGAIN_S)
            mine = (urgency, next(self._number))
            heappush(self._waiting, mine)
            if not self._changed.wait_for(lambda: bool(self._free) and self._waiting[0] == mine, patience_s):
                self._waiting.remove(mine)
                heapify(self._waiting)
                self._changed.notify_all()
                raise HTTPRefusal(503, "busy", wait_s=_AGAIN_S)
            heappop(self._waiting)
            self._changed.notify_all()
            return self._free.pop()

    def give(self, thing: T) -> None:
        """Release an object, or a replacement for it."""
        with self._changed:
            self._free.append(thing)
            self._changed.notify_all()

    def rest(self) -> list[T]:
        """Remove and return all free objects."""
        with self._changed:
            free, self._free = self._free, []
            return free


#: Slow jobs (a second or more), for which no user is waiting, have separate processes.
_SLOW: Final = frozenset({worker_process.evaluate})
#: Priority of quick jobs, lowest first: previews, for which a technician is waiting, come first.
_URGENCY: Final = {worker_process.read: 0}
_LESS_URGENT: Final = 1
#: Time limits of a task that the fit after the last photograph may take.
_LAST_STEP: Final = 10
_CONTEXT: Final = get_context("spawn")


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkerLimits:
    """Of each process and task: bytes of data, seconds.

    ``patience_s``: how long it may wait for a free process; ``waiting``: how many may, so that pages find a thread.
    """

    memory: int = 2**30
    seconds: float = 30.0
    patience_s: float = 60.0
    waiting: int = 24


class WorkerFault(RuntimeError):  # noqa: N818 - ours, not the input's
    """Internal error in a worker; the message is its traceback."""


class Workers:
    """Processes for slow jobs, half as many for quick jobs; a crashed process is replaced."""

    def __init__(self, count: int, bounds: WorkerLimits | None = None) -> None:
        self.bounds = bounds or WorkerLimits()
        self.count: Final = count
        self._slow = PriorityPool([_Process(self.bounds.memory) for _ in range(count)])
        self._quick = PriorityPool([_Process(self.bounds.memory) for _ in range(max(1, count // 2))])

    def do(self, job: Callable[..., bytes], /, **given: object) -> bytes:
        """Run a function of `stripread.web.worker_process` and wait for its result.

        Raises HTTPRefusal (503) while all are busy; PhotoError for a photograph that exceeds the limits of memory or
        time, or that the function rejects.
        """
        turns = self._slow if job in _SLOW else self._quick
        process = turns.take(_URGENCY.get(job, _LESS_URGENT), self.bounds.patience_s, self.bounds.waiting)
        try:
            answer = process.run(job, given, self.bounds.seconds)
        except _Lost as lost:
            process.end()
            process = _Process(self.bounds.memory)
            raise PhotoError(str(lost), where="the photograph",
                             remedy="send the original file, or retake the photograph") from lost
        finally:
            turns.give(process)
        return _opened(answer)

    def do_alone(self, job: Callable[..., bytes], watch: Callable[[bytes], None], /, **given: object) -> bytes:
        """Run a long function in a process of its own and wait for its result; ``watch`` gets the steps it reports.

        The same limit of memory applies, and the time limit of a task between two steps, prolonged for the last. Raises
        PhotoError for a photograph that exceeds them, or that the function rejects.
        """
        process = _Process(self.bounds.memory)
        try:
            answer = process.run(job, given, self.bounds.seconds)
            while answer[:1] == STEP:
                watch(answer[1:])
                answer = process.next(_LAST_STEP * self.bounds.seconds)
        except _Lost as lost:
            raise PhotoError(str(lost), where="the photographs", remedy="send the original files") from lost
        finally:
            process.end()
        return _opened(answer)

    def end(self) -> None:
        """Stop idle processes; a busy process stops with the server."""
        for process in (*self._slow.rest(), *self._quick.rest()):
            process.end()


@dataclass(frozen=True, slots=True)
class WorkerExecutor:
    """Runs evaluations in the workers, ``at_once`` at a time. The type of a result must be one that JSON decodes to."""

    workers: Workers
    at_once: int = 1

    def map(self, work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job], /) -> Iterator[Result]:
        """Return the results as they are asked for; a job is drawn when the one before it is being evaluated."""
        result: type[Result] = get_type_hints(work)["return"]

        def evaluated(job: Job) -> Result:
            return from_json(self.workers.do(worker_process.evaluate, work=work, given=given, job=job), result)

        if self.at_once == 1:
            yield from map(evaluated, jobs)
            return
        running: deque[Future[Result]] = deque()
        with ThreadPoolExecutor(self.at_once) as threads:
            for job in jobs:
                running.append(threads.submit(evaluated, job))
                if len(running) > self.at_once:
                    yield running.popleft().result()
            yield from (future.result() for future in running)


class _Lost(Exception):  # noqa: N818 - a process is
    """The process did not respond."""


class _Process:
    def __init__(self, memory: int) -> None:
        # numpy must not start threads in a process with bounded memory.
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        self._ours, theirs = _CONTEXT.Pipe()
        self._process = _CONTEXT.Process(target=run, args=(theirs, memory), daemon=True)
        self._process.start()
        theirs.close()

    def run(self, job: Callable[..., bytes], given: Mapping[str, object], seconds: float) -> bytes:
        """Return the response; its first byte is its kind."""
        try:
            self._ours.send((job, dict(given)))
        except OSError as error:
            raise _Lost("needs too much memory, or is damaged") from error
        return self.next(seconds)

    def next(self, seconds: float) -> bytes:
        """Return the next response of a job."""
        try:
            if not self._ours.poll(seconds):
                raise _Lost("takes too long to evaluate")
            return self._ours.recv_bytes()
        except (EOFError, OSError) as error:
            raise _Lost("needs too much memory, or is damaged") from error

    def end(self) -> None:
        """Kill it."""
        self._process.kill()
        self._process.join()
        self._ours.close()


def _opened(answer: bytes) -> bytes:
    kind, body = answer[:1], answer[1:]
    if kind == DONE:
        return body
    if kind == REFUSED:
        what, where, found, allowed, remedy = body.decode().split("\0")
        raise PhotoError(what, where=where, found=found, allowed=allowed, remedy=remedy)
    raise WorkerFault(body.decode(errors="replace"))
