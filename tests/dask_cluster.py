"""A Dask scheduler and workers as processes of their own on loopback, over TLS with a certificate made here."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from stripread.reading.cluster import Cluster
from tests.services import free_port
from tests.stripread.web.certificates import self_signed

_ROOT = Path(__file__).parents[1]


@dataclass
class DaskCluster:
    """A running scheduler with its workers; their output is in files of ``folder``."""

    folder: Path
    certificate: Path
    key: Path
    port: int = field(default_factory=free_port)
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)
    #: Workers started so far, ended ones included.
    started: int = 0
    scheduler: subprocess.Popen[bytes] = field(init=False)
    variables: dict[str, str] = field(default_factory=dict)

    @property
    def processes(self) -> list[subprocess.Popen[bytes]]:
        """The scheduler and the workers."""
        return [self.scheduler, *self.workers]

    @property
    def url(self) -> str:
        """Address of the scheduler."""
        return f"tls://127.0.0.1:{self.port}"

    @property
    def cluster(self) -> Cluster:
        """The cluster as a setting; the certificate is its own authority."""
        certificate = str(self.certificate)
        return Cluster(scheduler=self.url, ca=certificate, certificate=certificate, key=str(self.key))

    def logs(self) -> str:
        """Everything that scheduler and workers have written."""
        return "".join(path.read_text() for path in self.folder.glob("*.log"))

    def add_worker(self, packages: Path | None = None) -> subprocess.Popen[bytes]:
        """Start a worker with one thread; without a nanny, so that a killed one stays away.

        ``packages``: the folder of all that it can import, in addition to the standard library.
        """
        self.started += 1
        worker = self.start(f"worker-{self.started}", "dask_worker", self.url, "--nthreads", "1", "--no-nanny",
                            "--host", "127.0.0.1", "--local-directory", str(self.folder / "scratch"), packages=packages)
        self.workers.append(worker)
        return worker

    def wait_for_workers(self) -> None:
        """Wait until all workers have registered, as long as none ends but those that a test has killed."""
        while (self.folder / "scheduler.log").read_text().count("Register worker") < self.started:
            if any(worker.poll() not in (None, -signal.SIGKILL) for worker in self.workers):
                raise RuntimeError(self.logs())
            time.sleep(0.05)

    def start(self, name: str, program: str, *args: str, packages: Path | None = None) -> subprocess.Popen[bytes]:
        """Start one of Dask's programs; one thread for each numerical library, as with Dask's nanny, and no profile."""
        only = ["-S", "-P"] if packages else []
        command = [sys.executable, *only, "-m", f"distributed.cli.{program}", *args, "--no-dashboard", "--tls-ca-file",
                   str(self.certificate), "--tls-cert", str(self.certificate), "--tls-key", str(self.key)]
        variables = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1",
                     "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False", **self.variables}
        if packages:
            variables["PYTHONPATH"] = str(packages)
        with (self.folder / f"{name}.log").open("wb") as out:
            return subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, cwd=_ROOT, env=variables)


@contextmanager
def dask_cluster(folder: Path, workers: int, variables: Mapping[str, str] | None = None) -> Iterator[DaskCluster]:
    """Start a cluster, and end all its processes at the end of the block; ``variables``: of their environment."""
    made = DaskCluster(folder, *self_signed(folder), variables={**(variables or {})})
    made.scheduler = made.start("scheduler", "dask_scheduler", "--host", "127.0.0.1", "--port", str(made.port))
    try:
        for _ in range(workers):
            made.add_worker()
        made.wait_for_workers()
        yield made
    finally:
        for process in reversed(made.processes):
            process.kill()
            process.wait()
