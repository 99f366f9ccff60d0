"""Tasks of a cluster's worker: a few jobs each, for a client of the same program version.

Dask writes the arguments of a failed task to its logs. Jobs and their common argument are therefore wrapped in objects
that do not show their contents, and errors of a job are returned, not raised.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from time import perf_counter
from typing import Any, Generic, TypeVar

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

    found = {"stripread": SOFTWARE.removeprefix("stripread "), "dask": version("dask"), "scipy": version("scipy"),
             **libraries()}
    return {name: number for name, number in found.items() if name not in _MAY_DIFFER}


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
    return ", ".join(f"{name} {installed.get(name, 'missing')} instead of {number}"
                     for name, number in expected if installed.get(name) != number)
