"""Administration of accounts, for pages and command line alike; each action is an entry of the audit trail.

Only administrators administer accounts, and one of them must always be left who can sign in. What changes whether an
account may act, or its password, revokes its sessions and tokens in the same transaction.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Final

import msgspec
from sqlalchemy import delete, insert, select, update

from stripread.store.database import forget_deleted
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import (
    ROLES,
    Account,
    PersonName,
    Role,
    new_account_id,
    with_fresh_salt,
)
from stripread.store.models.record import stamp
from stripread.store.models.sites import SiteGroup
from stripread.store.schema import BODIES, NAMES, RECORD_TYPES, SESSIONS, SIGN_INS, TOKENS, decode
from stripread.store.store import Store
from stripread.store.transaction import Transaction

ADMINISTRATOR: Final[Role] = "administrator"
_SIGN_IN_LETTERS: Final = range(2, 65)


class AccountSummary(msgspec.Struct, frozen=True, kw_only=True):
    """An account, its person's ``name`` and the name it signs in with; None where it has none."""

    account: str
    roles: tuple[Role, ...]
    active: bool
    groups: tuple[str, ...]
    name: str | None
    sign_in: str | None


class SignIn(msgspec.Struct, frozen=True):
    """The name that a person types to sign in, and the hash of the password."""

    name: str
    password_hash: str


def list_accounts(store: Store, ids: Collection[str] | None = None) -> list[AccountSummary]:
    """Return all accounts, or those of ``ids``, active ones first, by name."""
    accounts = RECORD_TYPES[Account].table
    tables = (accounts.join(BODIES, accounts.c.sha256 == BODIES.c.sha256)
              .outerjoin(NAMES, NAMES.c.account == accounts.c.id)
              .outerjoin(SIGN_INS, SIGN_INS.c.account == accounts.c.id))
    query = select(BODIES.c.body, NAMES.c.name, SIGN_INS.c.name.label("sign_in")).select_from(tables)
    if ids is not None:
        query = query.where(accounts.c.id.in_(ids))
    with store.viewing() as connection:
        rows = [(decode(Account, row.body), row.name, row.sign_in) for row in connection.execute(query)]
    summaries = [AccountSummary(account=a.id, roles=a.roles, active=a.active, groups=a.groups, name=name,
                                sign_in=sign_in) for a, name, sign_in in rows]
    return sorted(summaries, key=lambda s: (not s.active, (s.name or "").casefold(), s.account))


def create_account(store: Store, name: str, roles: Iterable[Role], *, by: str,
                   sign_in: SignIn | None = None) -> Account:
    """Create an account for a person, who can sign in if ``sign_in`` is given."""
    account = Account(id=new_account_id(), roles=_in_order(roles))
    with _administration(store, by) as transaction:
        transaction.name(account, _person_name(account.id, name), "account created")
        if sign_in is not None:
            _add_sign_in(transaction, account.id, sign_in)
        return _present(transaction, account.id)


def create_first_administrator(store: Store, name: str, roles: Iterable[Role]) -> Account:
    """Create the first account of a store, for a person whose roles include administrator. It acts by itself."""
    account = Account(id=new_account_id(), roles=_in_order(roles))
    if ADMINISTRATOR not in account.roles:
        raise RecordsError("the first account must be an administrator", where=store.where,
                           found=", ".join(account.roles), allowed=f"roles with {ADMINISTRATOR} among them")
    with store.writing(account.id) as transaction:
        if not transaction.empty(Account):
            raise RecordsError("another account was created meanwhile", where=store.where,
                               remedy="ask an administrator for an account")
        transaction.name(account, _person_name(account.id, name), "account created")
        return _present(transaction, account.id)


def create_first(store: Store, name: str, sign_in: SignIn) -> str:
    """Return the id of the first account that can sign in, with every role.

    It is the only active account, as the command line makes it, or a new one.
    """
    active = [a for a in store.find(Account) if a.active]
    account = active[0] if len(active) == 1 else Account(id=new_account_id(), roles=ROLES)
    with store.writing(account.id) as transaction:
        if list(transaction.connection.scalars(select(SIGN_INS.c.account))):
            raise RecordsError("an account can sign in already", where="accounts",
                               remedy="ask an administrator for an account")
        transaction.name(
            msgspec.structs.replace(account, roles=ROLES), _person_name(account.id, name), "sign-in created"
        )
        _add_sign_in(transaction, account.id, sign_in)
    return account.id


def restrict_account(store: Store, id_: str, groups: Iterable[str], *, by: str) -> None:
    """Restrict an account to these groups of sites; none: it sees all sites."""
    with _administration(store, by) as transaction:
        account, wanted = _present(transaction, id_), tuple(sorted(set(groups)))
        for group in wanted:
            if transaction.current(SiteGroup, group) is None:
                raise RecordsError("no such group of sites", where=f"account {id_}", found=group)
        if wanted != account.groups:
            transaction.put(msgspec.structs.replace(account, groups=wanted),
                            f"restricted to {', '.join(wanted)}" if wanted else "restriction to groups lifted")


def change_account(store: Store, id_: str, *, by: str, roles: Iterable[Role] | None = None,
                   active: bool | None = None) -> None:
    """Give an account these roles and no others, deactivate or reactivate it; None leaves as is.

    A deactivated account cannot act; its records remain. Its sessions and tokens end for good.
    """
    with _administration(store, by) as transaction:
        account = _present(transaction, id_)
        if roles is not None:
            account = msgspec.structs.replace(account, roles=_in_order(roles))
            transaction.put(account, "roles changed")
        if active is not None and active != account.active:
            transaction.put(
                msgspec.structs.replace(account, active=active), f"account {'re' if active else 'de'}activated"
            )
            _revoke(transaction, id_)


def rename(store: Store, id_: str, name: str, *, by: str) -> None:
    """Give an account's person another name; the earlier one is erased."""
    with _administration(store, by) as transaction:
        transaction.name(_present(transaction, id_), _person_name(id_, name), "renamed")
    forget_deleted(store.engine)


def erase_name(store: Store, id_: str, *, by: str) -> None:
    """Erase a person's name and sign-in; what the account did remains, under its id.

    Earlier backups still contain the name.
    """
    with _administration(store, by) as transaction:
        transaction.name(_present(transaction, id_), None, "name erased")
        transaction.connection.execute(delete(SIGN_INS).where(SIGN_INS.c.account == id_))
        _revoke(transaction, id_)
    forget_deleted(store.engine)


def add_sign_in(store: Store, id_: str, sign_in: SignIn, *, by: str) -> None:
    """Let the person of an existing account sign in."""
    with _administration(store, by) as transaction:
        _present(transaction, id_)
        if _has_sign_in(transaction, id_):
            raise RecordsError("the account can sign in already", where=f"account {id_}", remedy="reset its password")
        _add_sign_in(transaction, id_, sign_in)
        transaction.note("sign-in created", f"of account {id_}")


def reset_password(store: Store, id_: str, password_hash: str, *, by: str) -> None:
    """Set another password for an account; its sessions and tokens end."""
    with _administration(store, by) as transaction:
        _set_password(transaction, id_, password_hash)
        _revoke(transaction, id_)
        transaction.note("password reset", f"of account {id_}")


def change_password(store: Store, id_: str, password_hash: str, *, session: str) -> None:
    """Set another password for one's own account; every session but the present one ends."""
    with store.writing(id_) as transaction:
        _set_password(transaction, id_, password_hash)
        transaction.connection.execute(delete(SESSIONS).where(SESSIONS.c.account == id_, SESSIONS.c.hash != session))
        transaction.note("password changed", f"of account {id_}")


def end_sessions(store: Store, id_: str, *, by: str) -> None:
    """End all sessions and tokens of an account."""
    with _administration(store, by) as transaction:
        _present(transaction, id_)
        _revoke(transaction, id_)
        transaction.note("sessions and tokens ended", f"of account {id_}")


def sign_in_key(name: str) -> str:
    """Return a sign-in name as it is stored: without surrounding spaces, upper and lower case alike."""
    return name.strip().casefold()[:128]


@contextmanager
def _administration(store: Store, by: str) -> Iterator[Transaction]:
    """A transaction of an administrator, or of any account where there is no administrator at all.

    Raises RecordsError where it would leave no administrator who can sign in (or none, where none could before).
    """
    with store.writing(by) as transaction:
        before = _administrators(transaction)
        if before and by not in before:
            raise RecordsError("this account may not manage accounts", where=f"account {by}",
                               allowed=f"active accounts with the role {ADMINISTRATOR}")
        acting = transaction.current(Account, by)
        if acting is not None and acting.groups:
            raise RecordsError("an account restricted to groups of sites may not manage accounts",
                               where=f"account {by}", found=", ".join(acting.groups),
                               allowed="administrators without a restriction")
        yield transaction
        after = _administrators(transaction)
        if not (any(after.values()) if any(before.values()) else after):
            raise RecordsError("this would leave no administrator who can sign in", where="accounts",
                               remedy=f"give another account the role {ADMINISTRATOR} and a sign-in first")


def _administrators(transaction: Transaction) -> Mapping[str, bool]:
    """Return the active administrators by id, and whether each can sign in."""
    able = set(transaction.connection.scalars(select(SIGN_INS.c.account)))
    return {a.id: a.id in able for a in transaction.all(Account) if a.active and ADMINISTRATOR in a.roles}


def _present(transaction: Transaction, id_: str) -> Account:
    account = transaction.current(Account, id_)
    if account is None:
        raise RecordsError("no such account", where="accounts", found=id_,
                           remedy="list them with `stripread accounts list`")
    return account


def _revoke(transaction: Transaction, id_: str) -> None:
    for table in (SESSIONS, TOKENS):
        transaction.connection.execute(delete(table).where(table.c.account == id_))


def _has_sign_in(transaction: Transaction, id_: str) -> bool:
    return transaction.connection.scalar(select(SIGN_INS.c.name).where(SIGN_INS.c.account == id_)) is not None


def _add_sign_in(transaction: Transaction, id_: str, sign_in: SignIn) -> None:
    transaction.connection.execute(
        insert(SIGN_INS).values(
            account=id_,
            name=_free_sign_in_name(transaction, sign_in.name),
            hash=sign_in.password_hash,
            changed=stamp(transaction.now),
            preferences="{}",
        )
    )


def _set_password(transaction: Transaction, id_: str, password_hash: str) -> None:
    _present(transaction, id_)
    if not _has_sign_in(transaction, id_):
        raise RecordsError("the account cannot sign in", where=f"account {id_}", remedy="give it a sign-in name first")
    transaction.connection.execute(update(SIGN_INS).where(SIGN_INS.c.account == id_)
                            .values(hash=password_hash, changed=stamp(transaction.now)))


def _free_sign_in_name(transaction: Transaction, name: str) -> str:
    key = sign_in_key(name)
    if len(key) not in _SIGN_IN_LETTERS or not key.isprintable():
        raise RecordsError("not a valid sign-in name", where="sign-in name", found=ascii(name)[:80],
                           allowed=f"{_SIGN_IN_LETTERS.start} to {_SIGN_IN_LETTERS.stop - 1} printable characters")
    if transaction.connection.scalar(select(SIGN_INS.c.account).where(SIGN_INS.c.name == key)):
        raise RecordsError("the sign-in name is taken", where="sign-in name", found=key, remedy="choose another")
    return key


def _in_order(roles: Iterable[Role]) -> tuple[Role, ...]:
    given = set(roles)
    if not given:
        raise RecordsError("an account needs at least one role", where="roles", found="none", allowed=", ".join(ROLES))
    return tuple(role for role in ROLES if role in given)


def _person_name(account: str, name: str) -> PersonName:
    """Return the name with its seal. Raises RecordsError unless it is one line of text."""
    stripped = name.strip()
    if not stripped or not stripped.isprintable() or len(stripped) > 300:
        raise RecordsError("not a valid name", where="name", found=ascii(name)[:80],
                           allowed="one line of text, up to 300 characters")
    return with_fresh_salt(account, stripped)
