"""Names and passwords by which accounts sign in, and the accounts themselves as an administrator sees them."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
from sqlalchemy import Connection, func, insert, select, update

from shared.errors import InputError
from stripread.records.acting import new_account_id
from stripread.records.kinds.people import Account, PersonName, Role, named
from stripread.records.kinds.record import stamp
from stripread.records.people import people as everybody
from stripread.records.schema import BODIES, KINDS, NAMES, SIGN_INS, decode
from stripread.records.store import Store
from stripread.records.work import Work
from stripread.web.access import changing
from stripread.web.preferences import Preferences

_LETTERS = range(2, 65)


@dataclass(frozen=True, slots=True)
class Person:
    """An account with its person's name and the name it signs in with, where there are such."""

    account: Account
    name: str
    sign_in: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NewPerson:
    """Someone who shall be able to sign in: what others call them, the name they type, the password's hash."""

    name: str
    sign_in: str
    password_hash: str
    roles: tuple[Role, ...]


def anyone(store: Store) -> bool:
    """Whether anybody can sign in at all."""
    with store.viewing() as connection:
        return bool(connection.scalar(select(func.count()).select_from(SIGN_INS)))


def find_sign_in(store: Store, name: str) -> tuple[str, str] | None:
    """Account and password hash of a sign-in name."""
    with store.viewing() as connection:
        row = connection.execute(select(SIGN_INS.c.account, SIGN_INS.c.hash)
                                 .where(SIGN_INS.c.name == _plain(name))).first()
    return (row.account, row.hash) if row else None


def password_hash(store: Store, account: str) -> str | None:
    """The hash of an account's password, if it can sign in."""
    with store.viewing() as connection:
        return connection.scalar(select(SIGN_INS.c.hash).where(SIGN_INS.c.account == account))


def is_active(store: Store, account: str) -> bool:
    """Whether the account is there and not closed."""
    return any(a.active for a in store.find(Account, id=account))


def names_of(store: Store) -> dict[str, str]:
    """By account, the name of its person, where it is known."""
    return {p.account: p.name for p in everybody(store) if p.name}


def people(store: Store) -> list[Person]:
    """Every account."""
    accounts = KINDS[Account].table
    places = (accounts.join(BODIES, accounts.c.sha256 == BODIES.c.sha256)
              .outerjoin(NAMES, NAMES.c.account == accounts.c.id)
              .outerjoin(SIGN_INS, SIGN_INS.c.account == accounts.c.id))
    query = select(BODIES.c.body, NAMES.c.name, SIGN_INS.c.name.label("sign_in")).select_from(places)
    with store.viewing() as connection:
        found = [Person(decode(Account, r.body), r.name or "", r.sign_in) for r in connection.execute(query)]
    return sorted(found, key=lambda p: (not p.account.active, p.name.casefold(), p.account.id))


def add_person(store: Store, new: NewPerson, *, by: str | None = None) -> str:
    """A new account that can sign in; ``by`` None: it makes itself, as the first one does. Its id.

    Raises InputError for a sign-in name that is taken or none.
    """
    id_ = new_account_id()
    with store.writing(by or id_) as work:
        _enter(work, Account(id=id_, roles=new.roles), new, "account made")
    return id_


def take_over(store: Store, account: Account, new: NewPerson) -> str:
    """Let the person sign in as an account that is there already, as one made on the command line."""
    with store.writing(account.id) as work:
        _enter(work, msgspec.structs.replace(account, roles=new.roles), new, "sign-in made")
    return account.id


def _enter(work: Work, account: Account, new: NewPerson, what: str) -> None:
    sign_in = _free(work.connection, new.sign_in)
    work.name(account, _name(account.id, new.name), what)
    work.connection.execute(insert(SIGN_INS).values(
        account=account.id, name=sign_in, hash=new.password_hash, changed=stamp(work.now),
        preferences=msgspec.json.encode(Preferences()).decode()))


def set_password(store: Store, account: str, hash_: str, *, by: str) -> None:
    """Another password for a sign-in; the log says that, not which."""
    with store.writing(by) as work:
        work.connection.execute(update(SIGN_INS).where(SIGN_INS.c.account == account)
                                .values(hash=hash_, changed=stamp(work.now)))
        work.note("set a password", f"of account {account}")


def set_preferences(store: Store, account: str, preferences: Preferences) -> None:
    """How numbers are written for a person."""
    with changing(store) as connection:
        connection.execute(update(SIGN_INS).where(SIGN_INS.c.account == account)
                           .values(preferences=msgspec.json.encode(preferences).decode()))


def set_account(store: Store, account: Account, *, by: str) -> None:
    """Other roles, or no longer active. Raises InputError where no administrator would be left who can sign in."""
    with store.writing(by) as work:
        work.put(account, "changed an account")
        if not _administrators(work.connection):
            raise InputError("nobody would be left who could look after accounts", where="roles",
                             remedy="make somebody else an administrator first")


def _administrators(connection: Connection) -> list[str]:
    accounts = KINDS[Account].table
    bodies = connection.scalars(select(BODIES.c.body).select_from(
        accounts.join(BODIES, accounts.c.sha256 == BODIES.c.sha256).join(
            SIGN_INS, SIGN_INS.c.account == accounts.c.id)))
    found = (decode(Account, body) for body in bodies)
    return [a.id for a in found if a.active and "administrator" in a.roles]


def _free(connection: Connection, name: str) -> str:
    plain = _plain(name)
    if len(plain) not in _LETTERS or not plain.isprintable():
        raise InputError("is no name to sign in with", where="sign-in name", found=repr(name[:80]),
                         allowed=f"{_LETTERS.start} to {_LETTERS.stop - 1} letters")
    if connection.scalar(select(SIGN_INS.c.account).where(SIGN_INS.c.name == plain)):
        raise InputError("the name is taken", where="sign-in name", found=plain, remedy="choose another")
    return plain


def _plain(name: str) -> str:
    """Names are told apart without case, and without spaces around them."""
    return name.strip().casefold()[:128]


def _name(account: str, name: str) -> PersonName:
    try:
        return msgspec.convert(msgspec.to_builtins(named(account, name.strip())), PersonName)
    except msgspec.ValidationError as error:
        raise InputError("is no name", where="name", found=repr(name[:80]), allowed="one line of text") from error
