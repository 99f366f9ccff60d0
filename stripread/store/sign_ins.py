"""Names and passwords by which accounts sign in, and secrets, of which the store has only hashes.

`stripread.store.accounts` changes names and passwords. A secret drawn here has 256 bits, so that a plain SHA-256
keeps it (OWASP ASVS 5.0, 11.4: no slow hash is needed).
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime

import msgspec
from sqlalchemy import Connection, func, select, update

from shared.decoders import from_json
from shared.notation import PLAIN, Notation
from stripread.store.accounts import sign_in_key
from stripread.store.database import writer
from stripread.store.errors import translate_errors
from stripread.store.models.accounts import Account
from stripread.store.models.record import stamp
from stripread.store.schema import NAMES, SIGN_INS
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


def set_preferences(store: Store, account: str, preferences: Notation) -> None:
    """Store how numbers are written for an account."""
    with unlogged_transaction(store) as connection:
        connection.execute(update(SIGN_INS).where(SIGN_INS.c.account == account)
                           .values(preferences=msgspec.json.encode(preferences).decode()))
