"""Secrets, of which the store has only hashes, and transactions on sessions, tokens and sign-ins.

A secret drawn here has 256 bits, so that a plain SHA-256 keeps it (OWASP ASVS 5.0, 11.4: no slow hash is needed).
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection

from stripread.store.database import writer
from stripread.store.errors import translate_errors
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
