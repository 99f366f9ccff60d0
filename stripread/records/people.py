"""The people behind the accounts: made, given roles, named, renamed, forgotten, closed; each is an entry of the log."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import msgspec
from sqlalchemy import delete, select

from stripread.records.acting import new_account_id
from stripread.records.engine import forget_deleted
from stripread.records.errors import RecordsError
from stripread.records.kinds.people import ROLES, Account, Role, named
from stripread.records.schema import NAMES, SESSIONS, SIGN_INS, TOKENS
from stripread.records.store import Store
from stripread.records.work import Work

_KEEPER: Final[Role] = "administrator"


class Person(msgspec.Struct, frozen=True, kw_only=True):
    """An account and the name of its person, None where none was given or it was forgotten."""

    account: str
    roles: tuple[Role, ...]
    active: bool
    name: str | None


def people(store: Store) -> list[Person]:
    """All accounts, in the order of their ids."""
    accounts = store.find(Account)
    with store.viewing() as connection:
        names = dict(connection.execute(select(NAMES.c.account, NAMES.c.name)).all())
    return [Person(account=a.id, roles=a.roles, active=a.active, name=names.get(a.id)) for a in accounts]


def add_person(store: Store, name: str, roles: Iterable[Role], *, by: str) -> Account:
    """A new account for a person."""
    account = Account(id=new_account_id(), roles=_in_order(roles))
    with store.writing(by) as work:
        work.name(account, named(account.id, _line(name)), "account made")
        return _present(work, account.id)


def set_roles(store: Store, id_: str, roles: Iterable[Role], *, by: str) -> None:
    """Give an account these roles and no others."""
    with store.writing(by) as work:
        work.put(msgspec.structs.replace(_present(work, id_), roles=_in_order(roles)), "roles changed")
        _check_kept(work)


def rename(store: Store, id_: str, name: str, *, by: str) -> None:
    """Give an account's person another name; the earlier one is gone."""
    with store.writing(by) as work:
        work.name(_present(work, id_), named(id_, _line(name)), "renamed")
    forget_deleted(store.engine)


def forget_name(store: Store, id_: str, *, by: str) -> None:
    """Remove a person's name and ways to sign in for good; what the account did stays, under its id.

    Backups made before still hold the name.
    """
    with store.writing(by) as work:
        work.name(_present(work, id_), None, "name forgotten")
        _shut_out(work, id_)
    forget_deleted(store.engine)


def close(store: Store, id_: str, *, by: str) -> None:
    """An account that acts no more; what it did stays."""
    with store.writing(by) as work:
        work.put(msgspec.structs.replace(_present(work, id_), active=False), "account closed")
        _shut_out(work, id_)
        _check_kept(work)


def _present(work: Work, id_: str) -> Account:
    account = work.current(Account, id_)
    if account is None:
        raise RecordsError("no such account", where="people", found=id_,
                           remedy="see `stripread records people list`")
    return account


def _shut_out(work: Work, id_: str) -> None:
    for table in (SIGN_INS, SESSIONS, TOKENS):
        work.connection.execute(delete(table).where(table.c.account == id_))


def _check_kept(work: Work) -> None:
    """Somebody must be left who can look after the accounts."""
    if not any(a.active and _KEEPER in a.roles for a in work.all(Account)):
        raise RecordsError(f"nobody would be left who is {_KEEPER}", where="people",
                           remedy=f"make somebody else {_KEEPER} first")


def _in_order(roles: Iterable[Role]) -> tuple[Role, ...]:
    given = set(roles)
    return tuple(role for role in ROLES if role in given)


def _line(name: str) -> str:
    """The name, if it is one line of text. Raises RecordsError."""
    stripped = name.strip()
    if not stripped or not stripped.isprintable() or len(stripped) > 300:
        raise RecordsError("is no name", where="people", found=ascii(name)[:80],
                           allowed="one line of text, up to 300 letters")
    return stripped
