"""Long tasks that a page starts: outside the request, one of a name at a time, with progress that pages poll.

All servers of a store show the progress, and any of them can stop a task.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from threading import Event, Lock, Thread
from typing import Any, Final

import msgspec

from shared.decoders import from_json
from shared.errors import InputError
from stripread.store.shared_work import SharedJobs, StoredJob
from stripread.store.store import Clock, Store, utc_now

_LOG: Final = logging.getLogger("stripread.web")
#: Seconds between two reports of progress to the other servers.
_WRITTEN_EVERY_S: Final = 1.0
#: Seconds between two reports of a task that takes long over one step; see `shared_work.SILENT_S`.
BEAT_S: float = 10.0
_ABANDONED: Final = "the server that ran it has ended; start it again"


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
    """Tasks of one server, in threads, and the states of those of other servers of the store."""

    def __init__(self, store: Store, clock: Clock = utc_now) -> None:
        self._clock = clock
        self._lock = Lock()
        self._shared = SharedJobs(store)
        self._states: dict[str, JobState] = {}
        self._written: dict[str, float] = {}
        self._stopped: set[str] = set()

    def state(self, name: str) -> JobState | None:
        """Return the state of the last task of this name on any server, or None."""
        return self.states([name]).get(name)

    def states(self, names: Sequence[str]) -> dict[str, JobState]:
        """Return the state of the last task of each name that has one, in this order."""
        known = {name: self._decoded(job) for name, job in self._shared.read(names).items()}
        here = {name: state for name in names if (state := self._states.get(name)) is not None and state.running}
        return {name: state for name in names if (state := here.get(name) or known.get(name)) is not None}

    def _decoded(self, job: StoredJob) -> JobState:
        state = from_json(job.state, JobState)
        return replace(state, finished=self._clock(), wrong=_ABANDONED) if job.abandoned else state

    def start(self, name: str, by: str, work: Callable[[JobProgress], str]) -> bool:
        """Start a task, whose text is its outcome; False if one of this name is running."""
        with self._lock:
            earlier, state = self._states.get(name), JobState(by=by, started=self._clock())
            if (earlier is not None and earlier.running) or not self._shared.claim(name, _text(state)):
                return False
            self._stopped.discard(name)
            self._states[name] = state
        Thread(target=self._run, args=(name, work), name=f"job {name}", daemon=True).start()
        return True

    def stop(self, name: str) -> None:
        """Stop a task at its next step; one of another server within a second of it."""
        self._stopped.add(name)
        self._shared.stop(name)

    def update(self, name: str, **changed: Any) -> None:
        """Change the state of a running task. Raises what stops it."""
        with self._lock:
            state = self._states[name] = replace(self._states[name], **changed)
        if not state.running or time.monotonic() - self._written.get(name, 0.0) > _WRITTEN_EVERY_S:
            self._written[name] = time.monotonic()
            self._write(name, state)
        if name in self._stopped and state.running:
            raise _Stopped

    def _write(self, name: str, state: JobState) -> None:
        """Let other servers know the state; where the database is busy they see it later."""
        try:
            if self._shared.report(name, _text(state), running=state.running):
                self._stopped.add(name)
        except InputError as error:
            _LOG.warning("progress not written", extra={"facts": {"job": name, "found": error.message}})

    def _run(self, name: str, work: Callable[[JobProgress], str]) -> None:
        outcome = wrong = ""
        ended = Event()
        beat = Thread(target=self._beat, args=(name, ended), name=f"beat {name}", daemon=True)
        beat.start()
        try:
            outcome = work(JobProgress(self, name))
        except _Stopped:
            wrong = "stopped"
        except InputError as error:
            wrong = error.message
        except Exception as error:  # noqa: BLE001 - shown and logged; there is no caller to raise to
            _LOG.error("fault", exc_info=error, extra={"facts": {"job": name}})
            wrong = "internal error; the server's log has the details"
        ended.set()
        beat.join()
        self.update(name, finished=self._clock(), outcome=outcome, wrong=wrong)

    def _beat(self, name: str, ended: Event) -> None:
        """Report the state again and again, so that other servers know that this one has not ended."""
        while not ended.wait(BEAT_S):
            self._write(name, self._states[name])


def _text(state: JobState) -> str:
    return msgspec.json.encode(state).decode()


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
