"""Work that all servers of a store share: photographs received and not yet evaluated, and long tasks.

The server that receives a photograph has a lease on it. If it ends before the reading is stored, the lease expires and
another server claims the photograph. Should both evaluate it, the first reading stored is the only one.
"""

from __future__ import annotations

import time
from collections.abc import Collection
from dataclasses import dataclass
from datetime import timedelta
from typing import Final, NamedTuple

from sqlalchemy import delete, func, insert, select, update

from stripread.store.database import writer
from stripread.store.errors import translate_errors
from stripread.store.models.record import stamp
from stripread.store.schema import EVALUATION_QUEUE, JOBS
from stripread.store.sign_ins import unlogged_transaction
from stripread.store.store import Store

#: Duration of a lease: longer than an evaluation may take, its wait for a free worker included.
LEASE: Final = timedelta(minutes=2)
#: After each attempt without a reading the pause doubles, up to the longest one.
_LONGEST_PAUSE: Final = timedelta(hours=6)
_DOUBLINGS: Final = 8


@dataclass(frozen=True, slots=True)
class QueuedPhotograph:
    """A photograph, the account that sent it, and the reading that it ``replaces``, if it was taken again."""

    photograph: str
    account: str
    replaces: str | None
    attempts: int


def enqueue(store: Store, photograph: str, account: str, replaces: str | None = None) -> None:
    """Add a photograph with a lease for the caller; of one that waits already, renew the lease."""
    until = stamp(store.clock() + LEASE)
    with unlogged_transaction(store) as connection:
        queued = EVALUATION_QUEUE.c.photograph == photograph
        if connection.scalar(select(EVALUATION_QUEUE.c.photograph).where(queued)):
            connection.execute(update(EVALUATION_QUEUE).where(queued).values(leased_until=until))
        else:
            connection.execute(insert(EVALUATION_QUEUE).values(
                photograph=photograph, account=account, replaces=replaces, leased_until=until, attempts=0))


def claim(store: Store) -> QueuedPhotograph | None:
    """Return a photograph whose lease has expired, now leased to the caller; None where there is none.

    Servers that claim at the same time get different photographs (PostgreSQL: FOR UPDATE SKIP LOCKED).
    """
    now, queue = store.clock(), EVALUATION_QUEUE
    # SQLite has no row locks: there a claim excludes other writers.
    engine = writer(store.engine) if store.engine.dialect.name == "sqlite" else store.engine
    query = select(queue).where(queue.c.leased_until < stamp(now)).order_by(queue.c.leased_until).limit(1)
    with translate_errors(store.where), engine.begin() as connection:
        row = connection.execute(query.with_for_update(skip_locked=True)).first()
        if row is None:
            return None
        pause = min(LEASE * 2 ** min(row.attempts, _DOUBLINGS), _LONGEST_PAUSE)
        connection.execute(update(queue).where(queue.c.photograph == row.photograph).values(
            leased_until=stamp(now + pause), attempts=row.attempts + 1))
    return QueuedPhotograph(row.photograph, row.account, row.replaces, row.attempts)


def dequeue(store: Store, photograph: str) -> None:
    """Remove a photograph: it has a reading, or was not stored."""
    with unlogged_transaction(store) as connection:
        connection.execute(delete(EVALUATION_QUEUE).where(EVALUATION_QUEUE.c.photograph == photograph))


def waiting(store: Store) -> int:
    """Return the number of photographs without a reading that servers have received."""
    with store.viewing() as connection:
        return connection.scalar(select(func.count()).select_from(EVALUATION_QUEUE)) or 0


#: Seconds without a report after which the server of a running task is taken to have ended: several reports.
SILENT_S: float = 60


class StoredJob(NamedTuple):
    """The state of a task as its server wrote it; ``abandoned``: it has not ended, and its server is silent."""

    state: str
    abandoned: bool


class SharedJobs:
    """The last task of each name, written by the server that runs it."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def claim(self, name: str, state: str) -> bool:
        """Add a task; return False if one of this name is running on any server."""
        with unlogged_transaction(self._store) as connection:
            if connection.scalar(select(JOBS.c.name).where(
                    JOBS.c.name == name, JOBS.c.running == 1, JOBS.c.changed >= _now() - SILENT_S)):
                return False
            connection.execute(delete(JOBS).where(JOBS.c.name == name))
            connection.execute(insert(JOBS).values(name=name, state=state, running=1, stopped=0, changed=_now()))
            return True

    def report(self, name: str, state: str, *, running: bool) -> bool:
        """Write the state of a task; return whether an account has stopped it."""
        with unlogged_transaction(self._store) as connection:
            connection.execute(update(JOBS).where(JOBS.c.name == name).values(
                state=state, running=int(running), changed=_now()))
            return connection.scalar(select(JOBS.c.stopped).where(JOBS.c.name == name)) == 1

    def stop(self, name: str) -> None:
        """Let the server of a task stop it at its next report."""
        with unlogged_transaction(self._store) as connection:
            connection.execute(update(JOBS).where(JOBS.c.name == name).values(stopped=1))

    def read(self, names: Collection[str]) -> dict[str, StoredJob]:
        """Return the last task of each name that has one."""
        with self._store.viewing() as connection:
            rows = connection.execute(select(JOBS).where(JOBS.c.name.in_(names))).all()
        return {row.name: StoredJob(row.state, row.running == 1 and row.changed < _now() - SILENT_S) for row in rows}


def _now() -> int:
    return round(time.time())
