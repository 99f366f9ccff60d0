"""Secrets in the store, as hashes only, and the transactions in which who may come in changes.

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
    """A secret nobody will guess, fit for a cookie or a header."""
    return secrets.token_urlsafe(32)


def secret_hash(secret: str) -> str:
    """Under what it lies in the store."""
    return hashlib.sha256(secret.encode()).hexdigest()


@contextmanager
def unlogged_transaction(store: Store) -> Iterator[Connection]:
    """A transaction on tables that hold no records."""
    with translate_errors(store.where), writer(store.engine).begin() as connection:
        yield connection
