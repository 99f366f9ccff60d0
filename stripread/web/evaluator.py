"""Background work of each server, in threads: evaluation that another server left, and the status of all sites.

Photographs whose server ended before their reading was stored are evaluated. Statuses are computed before a page asks
for them: for thousands of sites that takes a minute the first time of a day, and later only for changed sites.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Event, Thread, current_thread
from typing import Final

from shared.errors import InputError
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import overview
from stripread.store.models.evidence import Photograph
from stripread.store.shared_work import claim, dequeue
from stripread.web import journal
from stripread.web.capture import PhotoIntake
from stripread.web.refusals import HTTPRefusal
from stripread.web.state import AppState

#: A photograph without a record was purged, or its server ended before it was stored, so that the phone still has it.
#: But another server may be storing it just now: it is looked for again a few times.
_ATTEMPTS_WITHOUT_RECORD: Final = 4
#: Pause between two looks at the queue, and between two updates of statuses, seconds.
POLL_S, STATUS_S = 10.0, 30.0


@contextmanager
def evaluating(app: AppState) -> Iterator[None]:
    """Evaluate queued photographs and keep statuses up to date in threads until the end of the block."""
    ended = Event()
    threads = [Thread(target=_run, args=(app, ended, work, pause), name=name, daemon=True)
               for name, work, pause in (("evaluation", _evaluate_all, POLL_S), ("status", _update_statuses, STATUS_S))]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        ended.set()
        # Statuses change nothing, so that the end of the server need not wait for them.
        threads[0].join()


def _run(app: AppState, ended: Event, work: Callable[[AppState, Event], None], pause: float) -> None:
    what = current_thread().name
    while not ended.wait(pause):
        try:
            work(app, ended)
        except (InputError, HTTPRefusal) as error:  # the database or all workers are busy: later again
            journal.note(f"{what} postponed", found=str(error))
        except Exception as error:  # noqa: BLE001 - one photograph must not end the evaluation of all others
            journal.failed(f"{what} failed", error)


def _evaluate_all(app: AppState, ended: Event) -> None:
    while not ended.is_set() and evaluate_next(app):
        pass


def _update_statuses(app: AppState, _ended: Event) -> None:
    overview(app.store, load_intervals(), scope=Scope())


def evaluate_next(app: AppState) -> bool:
    """Evaluate a photograph whose lease has expired; return whether there was one."""
    queued = claim(app.store)
    if queued is None:
        return False
    for photograph in app.store.find(Photograph, id=queued.photograph, removed=None):
        taken = PhotoIntake(app, queued.account).evaluate(photograph, queued.replaces)
        journal.note("evaluated", photograph=photograph.id, account=queued.account, found=taken.why)
        return True
    if queued.attempts >= _ATTEMPTS_WITHOUT_RECORD:
        dequeue(app.store, queued.photograph)
    return True
