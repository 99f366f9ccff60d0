"""Sessions: a random secret in a cookie, its hash in the store; they expire and can be ended at any time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, delete, func, insert, select, update

from shared.notation import Notation
from stripread.store.models.accounts import Account
from stripread.store.models.record import stamp
from stripread.store.schema import BODIES, NAMES, RECORD_TYPES, SESSIONS, SIGN_INS, decode
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
