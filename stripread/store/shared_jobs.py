"""Long tasks in the database, so that every server of a store shows their progress and can stop them."""

from __future__ import annotations

import time
from collections.abc import Collection
from typing import Final, NamedTuple

from sqlalchemy import delete, insert, select, update

from stripread.store.schema import JOBS
from stripread.store.sign_ins import unlogged_transaction
from stripread.store.store import Store

#: Seconds without a report after which the server of a running task is taken to have ended.
SILENT_S: Final = 600


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
