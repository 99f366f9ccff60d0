"""Photographs that a server has received and not yet evaluated, shared by all servers of a store.

The server that receives a photograph has a lease on it. If it ends before the reading is stored, the lease expires and
another server claims the photograph. Should both evaluate it, the first reading stored is the only one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from sqlalchemy import delete, func, insert, select, update

from stripread.store.database import writer
from stripread.store.errors import translate_errors
from stripread.store.models.record import stamp
from stripread.store.schema import EVALUATION_QUEUE
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
