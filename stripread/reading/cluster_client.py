"""Connection to a Dask cluster; whatever prevents its use is named, with the member concerned.

Scheduler and workers must have the stripread of the client: the scheduler reads the graph of tasks, workers run them.
A worker without it ends without a message as soon as it receives a task.
"""

from __future__ import annotations

import logging
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

from stripread.reading.cluster import Cluster, ClusterError
from stripread.version import __version__

if TYPE_CHECKING:
    from distributed import Client

#: Seconds to connect.
_CONNECT_S: Final = 10
#: Members that an error names.
_NAMED: Final = 3


class Members:
    """Scheduler and workers; each is checked when it is first seen."""

    def __init__(self, client: Client, cluster: Cluster) -> None:
        self._client, self._cluster = client, cluster
        self._checked: set[str] = set()

    def threads(self) -> int:
        """Return the threads of all workers, each of which is safe to use. Raises ClusterError."""
        about = self._client.scheduler_info(n_workers=-1)
        workers = about["workers"]
        self._cluster.check_members([about["address"], *workers])
        if not self._checked.issuperset(workers):
            self._check_versions()
        self._checked = {*workers}
        return sum(worker["nthreads"] for worker in workers.values())

    def _check_versions(self) -> None:
        found: Any = self._client.get_versions(packages=["stripread"])
        members = {"the scheduler": found["scheduler"],
                   **{f"worker {address}": about for address, about in found["workers"].items()}}
        installed = {member: about["packages"]["stripread"] for member, about in members.items()}
        wrong = [f"{f'stripread {version}' if version else 'no stripread'} on {member}"
                 for member, version in installed.items() if version != __version__]
        if wrong:
            more = f" and {len(wrong) - _NAMED} more" if len(wrong) > _NAMED else ""
            raise ClusterError("scheduler and workers need the same version of stripread as this machine",
                               where=str(self._cluster.scheduler), found=", ".join(wrong[:_NAMED]) + more,
                               allowed=f"stripread {__version__}",
                               remedy=f"install stripread[cluster]=={__version__} there, then start it again")


@contextmanager
def connected(cluster: Cluster) -> Iterator[Client]:
    """Connect to a scheduler that has a worker. Raises ClusterError."""
    cluster.check()
    client = _connect(cluster)
    try:
        yield client
    finally:
        client.close(timeout=_CONNECT_S)


def _connect(cluster: Cluster) -> Client:
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
        return ClusterError("no Dask scheduler of this scheme answers", where=where, found=line(cause or error),
                            allowed="tls:// for a scheduler with TLS files, tcp:// for one without")
    if "ALERT" in str(cause.reason):
        return ClusterError("the scheduler rejects this client's certificate", where=where, found=line(cause),
                            remedy="name a current one of the cluster's authority in setting `cluster.certificate`")
    return ClusterError("the TLS files cannot be used", where="settings `cluster.ca`, `.certificate` and `.key`",
                        found=line(cause), allowed="PEM files; the key is that of the certificate")


def _tls_error(error: BaseException | None) -> ssl.SSLError | None:
    """Return the TLS error that led to an error, or None."""
    while error is not None:
        for found in (error, getattr(error, "real_error", None)):
            if isinstance(found, ssl.SSLError):
                return found
        error = error.__cause__ or error.__context__
    return None


def line(error: Exception) -> str:
    """Return an error as a line of text."""
    return " ".join(f"{type(error).__name__}: {error}".split())[:300]
