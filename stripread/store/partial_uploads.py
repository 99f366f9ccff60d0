"""Uploads in parts: a photograph arrives at an offset, and goes on from there after an interruption, on any server.

The phone asks for the offset, sends the next part at it, and finishes. Each step is idempotent: a part at another
offset is rejected with the right one, and a finished upload remembers its photograph. Uploads belong to an account.
Parts are rows of the database, which all servers share; they are deleted when the photograph is stored, or a week after
the last part.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from sqlalchemy import Connection, delete, insert, select, update

from stripread.store.models.record import stamp
from stripread.store.schema import UPLOAD_PARTS, UPLOADS
from stripread.store.sign_ins import unlogged_transaction
from stripread.store.store import Store

#: Largest part and upload, bytes; time after its last part at which an upload is deleted.
PART_BYTES: Final = 2**20
MOST_BYTES: Final = 40 * 2**20
_RETENTION: Final = timedelta(days=7)
#: Unfinished uploads of one account; beyond it the oldest is deleted, and the phone starts that one again.
_MOST: Final = 50


@dataclass(frozen=True, slots=True)
class UploadState:
    """``offset``: bytes that have arrived; ``photograph``: id of the stored photograph once it is finished."""

    offset: int
    photograph: str = ""


class PartialUploads:
    """Unfinished uploads of a store. Transactions that change them exclude each other, on all servers."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def state(self, account: str, key: str) -> UploadState:
        """Return how much has arrived; nothing for an unknown key."""
        with self._store.viewing() as connection:
            return _state(connection, _id(account, key))

    def append(self, account: str, key: str, offset: int, part: bytes) -> UploadState:
        """Add a part at its offset; at another offset nothing is added. Return how much has arrived."""
        id_, now = _id(account, key), stamp(self._store.clock())
        with unlogged_transaction(self._store) as connection:
            state = _state(connection, id_)
            if state.photograph or state.offset != offset or not part:
                return state
            size = offset + len(part)
            if offset == 0:
                self._make_room(connection, account)
                connection.execute(insert(UPLOADS).values(
                    id=id_, account=account, size=size, photograph="", changed=now))
            else:
                connection.execute(update(UPLOADS).where(UPLOADS.c.id == id_).values(size=size, changed=now))
            connection.execute(insert(UPLOAD_PARTS).values(upload=id_, offset=offset, bytes=part))
            return UploadState(size)

    def contents(self, account: str, key: str) -> bytes:
        """Return the bytes of an upload that has arrived; empty for an unknown key."""
        query = select(UPLOAD_PARTS.c.bytes).where(UPLOAD_PARTS.c.upload == _id(account, key))
        with self._store.viewing() as connection:
            return b"".join(connection.scalars(query.order_by(UPLOAD_PARTS.c.offset)))

    def finish(self, account: str, key: str, photograph: str) -> None:
        """Replace the bytes by the id of the stored photograph."""
        id_ = _id(account, key)
        with unlogged_transaction(self._store) as connection:
            _delete(connection, [id_])
            connection.execute(insert(UPLOADS).values(
                id=id_, account=account, size=0, photograph=photograph, changed=stamp(self._store.clock())))

    def discard(self, account: str, key: str) -> None:
        """Delete an upload, so that it starts again."""
        with unlogged_transaction(self._store) as connection:
            _delete(connection, [_id(account, key)])

    def _make_room(self, connection: Connection, account: str) -> None:
        """Delete the uploads of all accounts past their retention, and the oldest unfinished ones of this account."""
        c = UPLOADS.c
        old = select(c.id).where(c.changed < stamp(self._store.clock() - _RETENTION))
        excess = (select(c.id).where(c.account == account, c.photograph == "").order_by(c.changed.desc(), c.id)
                  .offset(_MOST - 1))
        for query in (old, excess):
            _delete(connection, list(connection.scalars(query)))


def _state(connection: Connection, id_: str) -> UploadState:
    upload = connection.execute(select(UPLOADS.c.size, UPLOADS.c.photograph).where(UPLOADS.c.id == id_)).first()
    return UploadState(0) if upload is None else UploadState(upload.size, upload.photograph)


def _delete(connection: Connection, ids: list[str]) -> None:
    for column in (UPLOAD_PARTS.c.upload, UPLOADS.c.id):
        connection.execute(delete(column.table).where(column.in_(ids)))


def _id(account: str, key: str) -> str:
    """Return the id of an account's upload; keys of two accounts never meet."""
    return hashlib.sha256(f"{account}\n{key}".encode()).hexdigest()
