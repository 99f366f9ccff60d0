"""Evaluations on the workers of a Dask cluster: few tasks in flight, results streamed in the order of the jobs.

Dask repeats the tasks of a worker that is lost, and a result is fetched once: nothing is lost or duplicated.
Photographs do not pass through the scheduler: jobs contain their addresses, and workers open them.

Dask writes the arguments of a failed task to its logs. Jobs and their common argument are therefore wrapped in objects
that do not show their contents, and errors of a job are returned, not raised.
"""

from __future__ import annotations

import logging
import platform
import socket
import ssl
import uuid
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from itertools import islice
from time import perf_counter
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar
from urllib.parse import urlsplit

from shared.errors import InputError
from stripread.reading.cluster import Cluster, ClusterError
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


def do_jobs(work: Callable[[Any, Any], Any], given: Hidden[Any], jobs: Hidden[Sequence[Any]],
            expected: dict[str, str]) -> Done:
    """Return the results of ``work(given, job)`` for each job."""
    differing = _prepared(tuple(sorted(expected.items())))
    if differing:
        return Done(differing=differing)
    begun, results = perf_counter(), []
    for job in jobs.value:
        try:
            results.append(work(given.value, job))
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

#: Duration of a task in seconds at which the scheduler's own time, about 1 ms, does not count; most jobs of a task.
_TASK_S, _MOST_JOBS = 0.1, 500
#: Tasks in flight for each thread of the cluster: enough to keep it busy, few in memory.
_AHEAD = 3
#: Seconds to connect; seconds without any worker after which the run ends.
_CONNECT_S, _NO_WORKERS_S = 10, 60
#: Tasks between two looks at the number of workers.
_LOOK_EVERY = 50
_REMEDY: Final = "check scheduler, workers and network, then run the command again"


@dataclass(frozen=True, slots=True)
class ClusterExecutor:
    """Runs jobs on the workers of a cluster."""

    cluster: Cluster

    def map(self, work: Callable[[Given, Job], Result], given: Given, jobs: Iterable[Job], /) -> Iterator[Result]:
        """Return the results in order; jobs are drawn as tasks are sent. Raises ClusterError."""
        with _client(self.cluster) as client:
            yield from _Run(client, self.cluster, work, given).each(iter(jobs))


class _Run:
    """The jobs of one call. ``given`` is a task of its own, so that Dask can repeat it on another worker."""

    def __init__(self, client: Client, cluster: Cluster, work: Callable[[Any, Any], Any], given: object) -> None:
        self._client, self._cluster, self._work = client, cluster, work
        self._name = f"stripread-{uuid.uuid4().hex}"
        self._expected = versions()
        self._given = client.submit(Hidden, given, key=f"{self._name}-given", pure=False)
        self._sent = 0
        self._seconds: float | None = None
        self._room = self._threads() * _AHEAD

    def each(self, jobs: Iterator[Any]) -> Iterator[Any]:
        """Return the results in order."""
        waiting: deque[Future[Done]] = deque()
        while True:
            while len(waiting) < self._room and (batch := list(islice(jobs, self._jobs_a_task()))):
                waiting.append(self._send(batch))
            if not waiting:
                return
            yield from self._results(waiting.popleft())

    def _send(self, batch: list[Any]) -> Future[Done]:
        self._sent += 1
        if self._sent % _LOOK_EVERY == 0:
            self._room = max(1, self._threads()) * _AHEAD
        return self._client.submit(do_jobs, self._work, self._given, Hidden(batch), self._expected,
                                   key=f"{self._name}-{self._sent}", pure=False)

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
                if not self._threads():
                    raise ClusterError("the cluster has no workers", where=str(self._cluster.scheduler),
                                       remedy=_REMEDY) from error
            except Exception as error:
                raise _failed(self._cluster, error) from error

    def _threads(self) -> int:
        """Return the threads of all workers, each of which must be safe to use."""
        about = self._client.scheduler_info(n_workers=-1)
        workers = about["workers"]
        self._cluster.check_members([about["address"], *workers])
        return sum(worker["nthreads"] for worker in workers.values())


@contextmanager
def _client(cluster: Cluster) -> Iterator[Client]:
    cluster.check()
    client = _connected(cluster)
    try:
        yield client
    finally:
        client.close(timeout=_CONNECT_S)


def _connected(cluster: Cluster) -> Client:
    try:
        import dask
        from distributed import Client
        from distributed.security import Security
    except ModuleNotFoundError as error:
        raise ClusterError("the client for Dask is not installed", where="--cluster", found=f"no module {error.name}",
                           remedy="install stripread[cluster]") from error
    # What they would write to the terminal is in our messages. Each of these has a level of its own.
    for name in ("distributed", "distributed.client", "tornado.application", "asyncio"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    security = Security(tls_ca_file=cluster.ca, tls_client_cert=cluster.certificate, tls_client_key=cluster.key,
                        require_encryption=True) if cluster.encrypted else None
    try:
        _check_answer(cluster, security.get_connection_args("client")["ssl_context"] if security else None)
        # Otherwise the client retains the last thousand tasks that it has sent.
        with dask.config.set({"distributed.admin.low-level-log-length": 0}):
            client = Client(cluster.scheduler, security=security, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise _not_connected(cluster, error) from error
    try:
        client.wait_for_workers(1, timeout=_CONNECT_S)
    except Exception as error:
        client.close()
        raise ClusterError("the cluster has no workers", where=str(cluster.scheduler),
                           remedy="start `dask worker` with the same TLS files") from error
    return client


def _check_answer(cluster: Cluster, context: ssl.SSLContext | None) -> None:
    """Raise ClusterError where nothing answers at the address, OSError where TLS fails: Dask would try for long.

    A scheduler speaks first. Whether it accepts a certificate (TLS 1.3) shows only in what it sends.
    """
    address = urlsplit(str(cluster.scheduler))
    try:
        connection = socket.create_connection((str(address.hostname), int(address.port or 0)), timeout=_CONNECT_S)
    except OSError as error:
        raise ClusterError("the scheduler cannot be reached", where=str(cluster.scheduler),
                           found=error.strerror or str(error),
                           remedy="check the address and whether `dask scheduler` runs there") from error
    with connection:
        if context:
            with context.wrap_socket(connection) as encrypted:
                encrypted.recv(1)


def _not_connected(cluster: Cluster, error: Exception) -> ClusterError:
    """Return the message for a scheduler that answers, but to which there is no connection."""
    where, cause = str(cluster.scheduler), _tls_error(error)
    if isinstance(cause, ssl.SSLCertVerificationError):
        return ClusterError("the scheduler's certificate is invalid", where=where, found=cause.verify_message,
                            allowed="a current one that the authority in setting `cluster.ca` has signed")
    if cause is None or cause.reason == "WRONG_VERSION_NUMBER":
        return ClusterError("no Dask scheduler of this scheme answers", where=where, found=_line(cause or error),
                            allowed="tls:// for a scheduler with TLS files, tcp:// for one without")
    if "ALERT" in str(cause.reason):
        return ClusterError("the scheduler rejects this client's certificate", where=where, found=_line(cause),
                            remedy="name a current one of the cluster's authority in setting `cluster.certificate`")
    return ClusterError("the TLS files cannot be used", where="settings `cluster.ca`, `.certificate` and `.key`",
                        found=_line(cause), allowed="PEM files; the key is that of the certificate")


def _tls_error(error: BaseException | None) -> ssl.SSLError | None:
    """Return the TLS error that led to an error, or None."""
    while error is not None:
        for found in (error, getattr(error, "real_error", None)):
            if isinstance(found, ssl.SSLError):
                return found
        error = error.__cause__ or error.__context__
    return None


def _failed(cluster: Cluster, error: Exception) -> InputError:
    """Return the message for an error of Dask itself: those of jobs are results."""
    if isinstance(error, InputError):
        return error
    if isinstance(error, ImportError):
        return ClusterError("a worker cannot import the program", where=str(cluster.scheduler), found=_line(error),
                            remedy="install the same version of stripread[cluster] on all machines")
    if getattr(error, "reason", "") == "scheduler-connection-lost":
        return ClusterError("the connection to the scheduler was lost", where=str(cluster.scheduler), remedy=_REMEDY)
    return ClusterError("the cluster failed", where=str(cluster.scheduler), found=_line(error), remedy=_REMEDY)


def _line(error: Exception) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())[:300]
