"""Evaluates photographs whose server ended before their reading was stored, in a thread of each server."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event, Thread
from typing import Final

from shared.errors import InputError
from stripread.store.evaluation_queue import claim, dequeue
from stripread.store.models.evidence import Photograph
from stripread.web import journal
from stripread.web.capture import PhotoIntake
from stripread.web.refusals import HTTPRefusal
from stripread.web.state import AppState

#: A photograph without a record was purged, or its server ended before it was stored, so that the phone still has it.
#: But another server may be storing it just now: it is looked for again a few times.
_ATTEMPTS_WITHOUT_RECORD: Final = 4
#: Pause between two looks at the queue, seconds.
POLL_S: Final = 10.0


@contextmanager
def evaluating(app: AppState) -> Iterator[None]:
    """Evaluate queued photographs in a thread until the end of the block."""
    ended = Event()
    thread = Thread(target=_run, args=(app, ended), name="evaluator", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def _run(app: AppState, ended: Event) -> None:
    while not ended.wait(POLL_S):
        try:
            while not ended.is_set() and evaluate_next(app):
                pass
        except (InputError, HTTPRefusal) as error:  # the database or all workers are busy: later again
            journal.note("evaluation postponed", found=str(error))
        except Exception as error:  # noqa: BLE001 - one photograph must not end the evaluation of all others
            journal.failed("evaluation failed", error)


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
