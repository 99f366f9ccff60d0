"""Where the work of a command runs: in this process, in several processes, or on a Dask cluster."""

from __future__ import annotations

import os

import click
import msgspec

from stripread.reading.cluster_executor import ClusterExecutor
from stripread.reading.executors import Executor, executor_for
from stripread.store.settings import load_settings


def chosen_executor(jobs: int | None, *, worth: int, processes: int | None, cluster: str | None) -> Executor:
    """Return the executor that the options and settings name.

    ``jobs``: their number, None where it is unknown and may be large. ``worth``: the number of jobs that take as long
    as starting a process; fewer jobs use a cluster only where ``--cluster`` names it. Raises InputError for a cluster
    that cannot be used safely.
    """
    if cluster and processes:
        raise click.UsageError("--processes is for this machine and --cluster for others: give only one")
    named = load_settings().cluster
    if cluster or (named.scheduler and not processes and (jobs is None or jobs >= worth)):
        used = msgspec.structs.replace(named, scheduler=cluster or named.scheduler)
        used.check()
        return ClusterExecutor(used)
    return executor_for(worth * (os.cpu_count() or 1) if jobs is None else jobs, worth=worth, processes=processes)
