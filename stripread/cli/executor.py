"""Where the work of a command runs: in this process, in several processes, or on a Dask cluster."""

from __future__ import annotations

import os
from pathlib import Path

import click
import msgspec

from stripread.reading.cluster_executor import ClusterExecutor
from stripread.reading.executors import SERIAL, Executor, executor_for
from stripread.store.settings import load_settings


def chosen_executor(jobs: int | None, *, worth: int, processes: int | None, cluster: str | None) -> Executor:
    """Return the executor that the options and settings name.

    ``jobs``: their number, None where it is unknown and may be large. ``worth``: the number of jobs that take as long
    as starting a process; fewer jobs use a cluster only where ``--cluster`` names it. Raises InputError for a cluster
    that cannot be used safely.
    """
    if cluster and processes:
        raise click.UsageError("--processes is for this machine and --cluster for others: give only one")
    if cluster or (not processes and (jobs is None or jobs >= worth)):
        found = cluster_or_serial(cluster)
        if found is not SERIAL:
            return found
    return executor_for(worth * (os.cpu_count() or 1) if jobs is None else jobs, worth=worth, processes=processes)


def cluster_or_serial(cluster: str | None) -> Executor:
    """Return the executor on the cluster that the option or the settings name, otherwise in this process."""
    named = load_settings().cluster
    used = msgspec.structs.replace(named, scheduler=cluster or named.scheduler)
    if used.scheduler is None:
        return SERIAL
    used.check()
    return ClusterExecutor(used)


def for_workers(path: Path, executor: Executor) -> Path:
    """Return a path as the executor's processes find it: those of a cluster have other working directories."""
    return path.absolute() if isinstance(executor, ClusterExecutor) else path
