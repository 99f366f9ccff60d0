"""Long tasks that a page starts: outside the request, one of a name at a time, with progress that pages poll."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from threading import Lock, Thread
from typing import Any, Final

from shared.errors import InputError
from stripread.store.store import Clock, utc_now

_LOG: Final = logging.getLogger("stripread.web")


@dataclass(frozen=True, slots=True, kw_only=True)
class JobState:
    """A task: what is being done (``label``), how much of it; ``outcome`` or ``wrong`` once it is ``finished``."""

    by: str
    started: datetime
    label: str = ""
    done: int = 0
    total: int = 0
    finished: datetime | None = None
    outcome: str = ""
    wrong: str = ""

    @property
    def running(self) -> bool:
        """Whether it has not ended."""
        return self.finished is None


class _Stopped(Exception):  # noqa: N818 - not an error
    """The task was stopped by an account."""


class Jobs:
    """Tasks of one server, in threads; the last of each name is remembered until the server ends."""

    def __init__(self, clock: Clock = utc_now) -> None:
        self._clock = clock
        self._lock = Lock()
        self._states: dict[str, JobState] = {}
        self._stopped: set[str] = set()

    def state(self, name: str) -> JobState | None:
        """Return the state of the last task of this name, or None."""
        return self._states.get(name)

    def start(self, name: str, by: str, work: Callable[[JobProgress], str]) -> bool:
        """Start a task, whose text is its outcome; False if one of this name is running."""
        with self._lock:
            earlier = self._states.get(name)
            if earlier is not None and earlier.running:
                return False
            self._stopped.discard(name)
            self._states[name] = JobState(by=by, started=self._clock())
        Thread(target=self._run, args=(name, work), name=f"job {name}", daemon=True).start()
        return True

    def stop(self, name: str) -> None:
        """Stop a task at its next step."""
        self._stopped.add(name)

    def update(self, name: str, **changed: Any) -> None:
        """Change the state of a running task. Raises what stops it."""
        if name in self._stopped and "finished" not in changed:
            raise _Stopped
        with self._lock:
            self._states[name] = replace(self._states[name], **changed)

    def _run(self, name: str, work: Callable[[JobProgress], str]) -> None:
        outcome = wrong = ""
        try:
            outcome = work(JobProgress(self, name))
        except _Stopped:
            wrong = "stopped"
        except InputError as error:
            wrong = error.message
        except Exception as error:  # noqa: BLE001 - shown and logged; there is no caller to raise to
            _LOG.error("fault", exc_info=error, extra={"facts": {"job": name}})
            wrong = "internal error; the server's log has the details"
        self.update(name, finished=self._clock(), outcome=outcome, wrong=wrong)


@dataclass(frozen=True, slots=True)
class JobProgress:
    """Reports the progress of a task; may be given where a progress bar is wanted."""

    jobs: Jobs
    name: str

    def __call__(self, items: Sequence[Any], label: str) -> Iterable[Any]:
        """Yield the items, and count them."""
        for n, item in enumerate(items):
            self.report(n, len(items), label)
            yield item

    def report(self, done: int, total: int, label: str) -> None:
        """State how much is done."""
        self.jobs.update(self.name, done=done, total=total, label=label)
