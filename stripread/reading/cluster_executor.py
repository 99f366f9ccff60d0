"""Evaluations on the workers of a Dask cluster: few tasks in flight, results streamed in the order of the jobs.

Dask repeats the tasks of a worker that is lost, and a result is fetched once: nothing is lost or duplicated.
Photographs do not pass through the scheduler: jobs contain their addresses, and workers open them.

Dask writes the arguments of a failed task to its logs. Jobs and their common argument are therefore wrapped in objects
that do not show their contents, and errors of a job are returned, not raised.
"""

from __future__ import annotations

import platform
import uuid
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import islice
from time import perf_counter
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

from shared.errors import InputError
from stripread.reading.cluster import Cluster, ClusterError
from stripread.reading.cluster_client import Members, connected, line
from stripread.reading.executors import Given, Job, Result
from stripread.version import SOFTWARE, libraries

T = TypeVar("T")
#: Libraries that may differ between client and workers: results agree in all printed digits, and record the processor.
_MAY_DIFFER = frozenset({"processor"})


@dataclass(frozen=True, slots=True)
class Hidden(Generic[T]):
    """A value that logs do not show."""

    value: T = field(repr=False)


@dataclass(frozen=True, slots=True)
class Done:
    """Results of a task, in the order of its jobs; ``error``: raised by the job after them. ``seconds``: duration.

    ``differing``: versions that differ from those of the client; then no job was done.
    """

    results: tuple[Any, ...] = field(default=(), repr=False)
    error: Exception | None = field(default=None, repr=False)
    seconds: float = 0.0
    differing: str = ""


def versions() -> dict[str, str]:
    """Return the versions that must agree between client and workers."""
    from importlib.metadata import version

    versions_ = {"stripread": SOFTWARE.removeprefix("stripread "), "dask": version("dask"), "scipy": version("scipy"),
                 **libraries()}
    return {name: number for name, number in versions_.items() if name not in _MAY_DIFFER}


@dataclass(frozen=True, slots=True)
class Setup:
    """What the jobs of a run have in common: the result of each is ``work(given, job)``.

    ``expected``: versions of the client, by name.
    """

    work: Callable[[Any, Any], Any]
    given: object
    expected: tuple[tuple[str, str], ...]


def do_jobs(jobs: Hidden[Sequence[Any]], setup: Hidden[Setup]) -> Done:
    """Return the results of some jobs."""
    on = setup.value
    differing = _prepared(on.expected)
    if differing:
        return Done(differing=differing)
    begun, results = perf_counter(), []
    for job in jobs.value:
        try:
            results.append(on.work(on.given, job))
        except Exception as error:  # noqa: BLE001 - raised where the result is used, as by other executors
            return Done(tuple(results), error, perf_counter() - begun)
    return Done(tuple(results), None, perf_counter() - begun)


@cache
def _prepared(expected: tuple[tuple[str, str], ...]) -> str:
    """Prepare this process as those of other executors are; return the versions that differ from the client's."""
    import cv2

    cv2.setNumThreads(1)
    installed = versions()
    differing = [f"{name} {installed.get(name, 'missing')} instead of {number}"
                 for name, number in expected if installed.get(name) != number]
    return f"{', '.join(differing)} on {platform.node()}" if differing else ""


if TYPE_CHECKING:
    from distributed import Client, Future

#: Duration of a task in seconds at which the time of client and scheduler, about 5 ms, does not count; most jobs of a
#: task.
_TASK_S, _MOST_JOBS = 0.15, 500
#: Tasks in flight for each thread of the cluster, enough to keep it busy; the number at which more are sent, together.
_AHEAD, _ENOUGH = 4, 3
#: Seconds without any worker after which the run ends.
_NO_WORKERS_S = 60
#: Seconds between two looks at the workers.
_LOOK_S = 5
_REMEDY: Final = "check scheduler, workers and network, then run the command again"


@dataclass(frozen=True, slots=True)
class ClusterExecutor:
    """Runs jobs on the workers of a cluster."""

    cluster: Cluster

    def map(self, work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job], /) -> Iterator[Result]:
        """Return the results in order; jobs are drawn as tasks are sent. Raises ClusterError."""
        with connected(self.cluster) as client:
            yield from _Run(client, self.cluster, work, given).each(iter(jobs))


class _Run:
    """The jobs of one call. Their setup is a task of its own, so that Dask can repeat it on another worker.

    Keys are pairs, of which Dask takes the first as the name of a group. The next task of a group that is much larger
    than the cluster goes to a worker that is free; otherwise tasks go to the worker that has the setup, and the others
    take them from it once a second.
    """

    def __init__(self, client: Client, cluster: Cluster, work: Callable[[Any, Any], Any], given: object) -> None:
        self._client, self._cluster = client, cluster
        self._name = f"stripread-{uuid.uuid4().hex}"
        self._members = Members(client, cluster)
        self._threads, self._looked = self._members.threads(), perf_counter()
        setup = Setup(work, given, tuple(sorted(versions().items())))
        self._setup = client.submit(Hidden, setup, key=(f"{self._name}-setup", 0), pure=False)
        self._sent = 0
        self._seconds: float | None = None

    def each(self, jobs: Iterator[Any]) -> Iterator[Any]:
        """Return the results in order."""
        waiting: deque[Future[Done]] = deque()
        while True:
            if len(waiting) <= self._threads * _ENOUGH:
                waiting.extend(self._send(jobs, self._threads * _AHEAD - len(waiting)))
            if not waiting:
                return
            yield from self._results(waiting.popleft())

    def _send(self, jobs: Iterator[Any], tasks: int) -> list[Future[Done]]:
        """Send that many tasks at most."""
        drawn = (list(islice(jobs, self._jobs_a_task())) for _ in range(tasks))
        batches = [Hidden(batch) for batch in drawn if batch]
        if not batches:
            return []
        self._look()
        keys = [(self._name, self._sent + number) for number in range(len(batches))]
        self._sent += len(batches)
        return self._client.map(do_jobs, batches, setup=self._setup, key=keys, pure=False)

    def _look(self) -> None:
        if perf_counter() - self._looked > _LOOK_S:
            self._threads, self._looked = max(1, self._members.threads()), perf_counter()

    def _jobs_a_task(self) -> int:
        if self._seconds is None:
            return 1
        return max(1, min(_MOST_JOBS, round(_TASK_S / max(self._seconds, 1e-9))))

    def _results(self, future: Future[Done]) -> Iterator[Any]:
        done = self._fetched(future)
        if done.differing:
            raise ClusterError("a worker has other versions than this machine", where=str(self._cluster.scheduler),
                               found=done.differing, remedy="install the same versions on all machines")
        if done.results:
            each = done.seconds / len(done.results)
            self._seconds = each if self._seconds is None else (3 * self._seconds + each) / 4
        yield from done.results
        if done.error is not None:
            raise done.error

    def _fetched(self, future: Future[Done]) -> Done:
        from distributed import TimeoutError as DaskTimeoutError

        while True:
            try:
                return future.result(timeout=_NO_WORKERS_S)
            except DaskTimeoutError as error:
                if not self._members.threads():
                    raise ClusterError("the cluster has no workers", where=str(self._cluster.scheduler),
                                       remedy=_REMEDY) from error
            except Exception as error:
                raise _failed(self._cluster, error) from error


def _failed(cluster: Cluster, error: Exception) -> InputError:
    """Return the message for an error of Dask itself: those of jobs are results."""
    if isinstance(error, InputError):
        return error
    if isinstance(error, ImportError):
        return ClusterError("a worker cannot import the program", where=str(cluster.scheduler), found=line(error),
                            remedy="install the same version of stripread[cluster] on all machines")
    if getattr(error, "reason", "") == "scheduler-connection-lost":
        return ClusterError("the connection to the scheduler was lost", where=str(cluster.scheduler), remedy=_REMEDY)
    return ClusterError("the cluster failed", where=str(cluster.scheduler), found=line(error), remedy=_REMEDY)

