"""Tokens for programs: of one account, for stated scopes, until a day; the store has only their hashes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, get_args

from sqlalchemy import delete, func, insert, select

from stripread.store.models.accounts import Account
from stripread.store.models.record import stamp
from stripread.store.schema import BODIES, RECORD_TYPES, TOKENS, decode
from stripread.store.sign_ins import new_secret, secret_hash
from stripread.store.store import Store

#: Scopes of tokens. The roles of the account apply as well.
Scope = Literal["readings:read", "readings:take", "metrics", "calendar"]
SCOPES: tuple[Scope, ...] = get_args(Scope)
#: Prefix by which a leaked token is recognised.
PREFIX = "strip_"
LIFE = timedelta(days=365)


@dataclass(frozen=True, slots=True)
class Token:
    """A token in the list of its owner."""

    hash: str
    name: str
    scopes: tuple[str, ...]
    made: datetime
    expires: datetime


def make_token(store: Store, account: str, name: str, scopes: tuple[str, ...]) -> str:
    """Create a token and return its secret, which is shown once."""
    secret, now = PREFIX + new_secret(), store.clock()
    with store.writing(account) as work:
        work.connection.execute(insert(TOKENS).values(
            hash=secret_hash(secret), account=account, name=name, scopes=" ".join(scopes), made=stamp(now),
            expires=stamp(now + LIFE)))
        work.note("token created", f"{name}, for {' '.join(scopes)}")
    return secret


def find_token(store: Store, secret: str) -> tuple[Account, frozenset[str]] | None:
    """Return the account and scopes of a token if it has not expired and the account is active, else None."""
    accounts = RECORD_TYPES[Account].table
    places = TOKENS.join(accounts, TOKENS.c.account == accounts.c.id).join(BODIES, accounts.c.sha256 == BODIES.c.sha256)
    with store.viewing() as connection:
        row = connection.execute(select(TOKENS.c.scopes, BODIES.c.body).select_from(places).where(
            TOKENS.c.hash == secret_hash(secret), TOKENS.c.expires > stamp(store.clock()))).first()
    account = decode(Account, row.body) if row else None
    return (account, frozenset(row.scopes.split())) if row and account and account.active else None


def tokens_of(store: Store, account: str) -> list[Token]:
    """Return an account's tokens, the latest first."""
    query = select(TOKENS).where(TOKENS.c.account == account).order_by(TOKENS.c.made.desc())
    with store.viewing() as connection:
        return [Token(r.hash, r.name, tuple(r.scopes.split()), datetime.fromisoformat(r.made),
                      datetime.fromisoformat(r.expires)) for r in connection.execute(query)]


def token_counts(store: Store) -> dict[str, int]:
    """Return by account the number of its tokens that have not expired."""
    query = select(TOKENS.c.account, func.count()).where(TOKENS.c.expires > stamp(store.clock()))
    with store.viewing() as connection:
        return {row[0]: row[1] for row in connection.execute(query.group_by(TOKENS.c.account))}


def end_token(store: Store, account: str, hash_: str) -> None:
    """Revoke one of an account's tokens."""
    with store.writing(account) as work:
        work.connection.execute(delete(TOKENS).where(TOKENS.c.account == account, TOKENS.c.hash == hash_))
        work.note("token revoked")
