"""Failed attempts to sign in and setup codes, shared by all servers of a store; the store has only hashes of keys.

A key names what is counted, such as an address; people type passwords as names, so keys are stored as hashes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from typing import Final

from sqlalchemy import Connection, delete, insert, select

from shared.decoders import from_json
from stripread.store.schema import ATTEMPTS, SETUP_CODES
from stripread.store.sign_ins import secret_hash, unlogged_transaction
from stripread.store.store import Store

#: How long failures count at most, and how long a place is remembered from which an account has signed in.
_FAILURES_S: Final = 3600.0
_PLACE_S: Final = 90 * 86400.0


class StoredAttempts:
    """Times (seconds since 1970) of the latest failures by key, and known places."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def times(self, keys: Collection[str]) -> dict[str, list[float]]:
        """Return the times of the keys that are stored, the earliest first; a known place has none."""
        with self._store.viewing() as connection:
            return _times(connection, keys)

    def add(self, most: Mapping[str, int], now: float) -> None:
        """Add a failure to each key, of which the latest ``most`` are stored."""
        with unlogged_transaction(self._store) as connection:
            found = _times(connection, most)
            _write(connection, {key: [*found.get(key, []), now][-number:] for key, number in most.items()}, now)

    def forget(self, key: str, known_place: str, now: float) -> None:
        """Remove the failures of a key, and remember a place from which the account has signed in."""
        with unlogged_transaction(self._store) as connection:
            connection.execute(delete(ATTEMPTS).where(ATTEMPTS.c.key == _hash(key)))
            _write(connection, {known_place: []}, now)


def _times(connection: Connection, keys: Collection[str]) -> dict[str, list[float]]:
    hashes = {_hash(key): key for key in keys}
    rows = connection.execute(select(ATTEMPTS.c.key, ATTEMPTS.c.times).where(ATTEMPTS.c.key.in_(hashes)))
    return {hashes[row.key]: from_json(row.times, list[float]) for row in rows}


def _write(connection: Connection, rows: Mapping[str, list[float]], now: float) -> None:
    """Replace rows, and delete those that no longer count."""
    replaced = ATTEMPTS.c.key.in_([_hash(key) for key in rows])
    connection.execute(delete(ATTEMPTS).where(replaced | (ATTEMPTS.c.expires < now)))
    connection.execute(insert(ATTEMPTS), [
        {"key": _hash(key), "times": repr(times), "expires": round(now + (_FAILURES_S if times else _PLACE_S))}
        for key, times in rows.items()])


def add_setup_code(store: Store, code: str) -> None:
    """Accept a setup code on all servers of the store, until the first account can sign in."""
    with unlogged_transaction(store) as connection:
        connection.execute(insert(SETUP_CODES).values(hash=secret_hash(code)))


def is_setup_code(store: Store, code: str) -> bool:
    """Return whether a server of the store has printed this code."""
    with store.viewing() as connection:
        return connection.scalar(select(SETUP_CODES.c.hash).where(SETUP_CODES.c.hash == secret_hash(code))) is not None


def clear_setup_codes(store: Store) -> None:
    """Accept no setup code any more."""
    with unlogged_transaction(store) as connection:
        connection.execute(delete(SETUP_CODES))


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode(errors="surrogatepass")).hexdigest()
