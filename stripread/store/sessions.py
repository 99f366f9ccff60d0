"""Sessions of people and tokens of programs: random secrets, of which the store has only hashes; both expire."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, get_args

from sqlalchemy import ColumnElement, delete, func, insert, select, update

from shared.notation import Notation
from stripread.store.models.accounts import Account
from stripread.store.models.record import stamp
from stripread.store.schema import BODIES, NAMES, RECORD_TYPES, SESSIONS, SIGN_INS, TOKENS, decode
from stripread.store.sign_ins import new_secret, preferences_from_json, secret_hash, unlogged_transaction
from stripread.store.store import Store

#: A session ends this long after its last use, and at the latest this long after it was opened.
IDLE, LONGEST = timedelta(hours=12), timedelta(days=7)
#: Interval at which the use of a session is recorded.
NOTED = timedelta(minutes=5)
_DEVICE_LETTERS = 120


@dataclass(frozen=True, slots=True)
class Session:
    """An open session; ``hash`` names it, ``name`` is its person's."""

    hash: str
    account: Account
    name: str
    preferences: Notation
    seen: datetime


@dataclass(frozen=True, slots=True)
class OpenSession:
    """A session in the list of its owner."""

    hash: str
    device: str
    made: datetime
    seen: datetime


def open_session(store: Store, account: str, device: str) -> str:
    """Open a session and return the secret for its cookie."""
    secret, now = new_secret(), stamp(store.clock())
    with unlogged_transaction(store) as connection:
        connection.execute(delete(SESSIONS).where(_over(store.clock())))
        connection.execute(insert(SESSIONS).values(hash=secret_hash(secret), account=account, made=now, seen=now,
                                                   device=device[:_DEVICE_LETTERS]))
    return secret


def find_session(store: Store, secret: str) -> Session | None:
    """Return the session of a cookie if it is open and its account active, else None."""
    now, accounts = store.clock(), RECORD_TYPES[Account].table
    places = (SESSIONS.join(accounts, SESSIONS.c.account == accounts.c.id)
              .join(BODIES, accounts.c.sha256 == BODIES.c.sha256)
              .join(SIGN_INS, SIGN_INS.c.account == accounts.c.id)
              .outerjoin(NAMES, NAMES.c.account == accounts.c.id))
    query = select(SESSIONS.c.hash, SESSIONS.c.seen, BODIES.c.body, NAMES.c.name, SIGN_INS.c.preferences)
    with store.viewing() as connection:
        row = connection.execute(query.select_from(places).where(
            SESSIONS.c.hash == secret_hash(secret), ~_over(now))).first()
    if row is None:
        return None
    account = decode(Account, row.body)
    seen = datetime.fromisoformat(row.seen)
    return Session(row.hash, account, row.name or account.id, preferences_from_json(row.preferences),
                   seen) if account.active else None


def note_use(store: Store, session: Session) -> None:
    """Record the use of a session, which extends it."""
    if store.clock() - session.seen >= NOTED:
        with unlogged_transaction(store) as connection:
            connection.execute(update(SESSIONS).where(SESSIONS.c.hash == session.hash)
                               .values(seen=stamp(store.clock())))


def open_sessions(store: Store, account: str) -> list[OpenSession]:
    """Return an account's open sessions, the last used first."""
    query = select(SESSIONS).where(SESSIONS.c.account == account, ~_over(store.clock()))
    with store.viewing() as connection:
        return [OpenSession(r.hash, r.device, datetime.fromisoformat(r.made), datetime.fromisoformat(r.seen))
                for r in connection.execute(query.order_by(SESSIONS.c.seen.desc()))]


def session_use(store: Store) -> dict[str, tuple[int, datetime]]:
    """Return by account the number of its open sessions, and when one of them was last used."""
    query = select(SESSIONS.c.account, func.count(), func.max(SESSIONS.c.seen)).where(~_over(store.clock()))
    with store.viewing() as connection:
        return {account: (number, datetime.fromisoformat(seen))
                for account, number, seen in connection.execute(query.group_by(SESSIONS.c.account))}


def close_session(store: Store, account: str, hash_: str) -> None:
    """End one of an account's sessions."""
    with unlogged_transaction(store) as connection:
        connection.execute(delete(SESSIONS).where(SESSIONS.c.account == account, SESSIONS.c.hash == hash_))


def _over(now: datetime) -> ColumnElement[bool]:
    return (SESSIONS.c.seen < stamp(now - IDLE)) | (SESSIONS.c.made < stamp(now - LONGEST))


#: Scopes of tokens. The roles of the account apply as well.
Scope = Literal[
    "readings:read", "readings:take", "review", "sites:read", "sites:write", "batches:read", "batches:write",
    "administration", "account", "metrics", "calendar"]
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
