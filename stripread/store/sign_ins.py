"""Names and passwords by which accounts sign in, setup codes, and failed attempts, shared by all servers of a store.

The store has only hashes of secrets. A key names what attempts are counted for, such as an address; people type
passwords as names, so keys are stored as hashes.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from typing import Final

import msgspec
from sqlalchemy import Connection, delete, func, insert, select, update

from shared.decoders import from_json
from shared.notation import PLAIN, Notation
from stripread.store.accounts import sign_in_key
from stripread.store.database import writer
from stripread.store.errors import translate_errors
from stripread.store.models.accounts import Account
from stripread.store.models.record import stamp
from stripread.store.schema import ATTEMPTS, NAMES, SETUP_CODES, SIGN_INS
from stripread.store.store import Store


def new_secret() -> str:
    """Return a new random secret for a cookie or a header."""
    return secrets.token_urlsafe(32)


def secret_hash(secret: str) -> str:
    """Return the hash of a secret, under which it is stored."""
    return hashlib.sha256(secret.encode()).hexdigest()


@contextmanager
def unlogged_transaction(store: Store) -> Iterator[Connection]:
    """Return a transaction on tables without records; it is not an entry of the audit trail."""
    with translate_errors(store.where), writer(store.engine).begin() as connection:
        yield connection


def preferences_from_json(text: str) -> Notation:
    """Return stored preferences; those of an earlier version that are no longer known give the defaults."""
    try:
        return from_json(text, Notation)
    except msgspec.DecodeError:
        return PLAIN


def anyone(store: Store) -> bool:
    """Return whether any account can sign in."""
    with store.viewing() as connection:
        return bool(connection.scalar(select(func.count()).select_from(SIGN_INS)))


def find_sign_in(store: Store, name: str) -> tuple[str, str] | None:
    """Return account and password hash of a sign-in name; None where there is none."""
    with store.viewing() as connection:
        row = connection.execute(select(SIGN_INS.c.account, SIGN_INS.c.hash)
                                 .where(SIGN_INS.c.name == sign_in_key(name))).first()
    return (row.account, row.hash) if row else None


def password_hash(store: Store, account: str) -> str | None:
    """Return the hash of an account's password; None where it cannot sign in."""
    with store.viewing() as connection:
        return connection.scalar(select(SIGN_INS.c.hash).where(SIGN_INS.c.account == account))


def is_active(store: Store, account: str) -> bool:
    """Return whether the account exists and is active."""
    return any(a.active for a in store.find(Account, id=account))


def names_of(store: Store, accounts: Iterable[str]) -> dict[str, str]:
    """Return the names of these accounts' persons, where they are known."""
    with store.viewing() as connection:
        query = select(NAMES.c.account, NAMES.c.name).where(NAMES.c.account.in_(set(accounts)))
        return {row.account: row.name for row in connection.execute(query)}


def note_sign_in(store: Store, account: str) -> None:
    """Record the time of a sign-in; the earlier one is replaced."""
    with unlogged_transaction(store) as connection:
        connection.execute(update(SIGN_INS).where(SIGN_INS.c.account == account).values(last=stamp(store.clock())))


def last_sign_ins(store: Store) -> dict[str, datetime]:
    """Return by account when it last signed in; accounts that never did are missing."""
    with store.viewing() as connection:
        query = select(SIGN_INS.c.account, SIGN_INS.c.last).where(SIGN_INS.c.last.is_not(None))
        return {row.account: datetime.fromisoformat(row.last) for row in connection.execute(query)}


def preferences_of(store: Store, account: str) -> Notation:
    """Return unit, decimal mark and time zone of an account; those of an account without a sign-in are the defaults."""
    with store.viewing() as connection:
        return preferences_from_json(connection.scalar(
            select(SIGN_INS.c.preferences).where(SIGN_INS.c.account == account)) or "{}")


def set_preferences(store: Store, account: str, preferences: Notation) -> None:
    """Store how numbers are written for an account."""
    with unlogged_transaction(store) as connection:
        connection.execute(update(SIGN_INS).where(SIGN_INS.c.account == account)
                           .values(preferences=msgspec.json.encode(preferences).decode()))


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
            times = _times(connection, most)
            _write(connection, {key: [*times.get(key, []), now][-number:] for key, number in most.items()}, now)

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
