"""The account that acts from the command line: the one that the settings name, or the only active one."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from typing import Final

from stripread.store.errors import RecordsError
from stripread.store.models.accounts import ROLES, Account
from stripread.store.settings import ACCOUNT_VARIABLE, Settings
from stripread.store.store import Store

_REMEDY: Final = f"set {ACCOUNT_VARIABLE}, or `account` in the settings file"


def current_account(store: Store, settings: Settings, report: Callable[[str], None] | None = None) -> str:
    """Return the id of the account that acts.

    If there is no account and ``report`` is given, the first one is created with all roles and reported. Raises
    RecordsError if there is none, several and none is named, or if the named one is unknown or deactivated.
    """
    accounts = store.find(Account)
    active = [account.id for account in accounts if account.active]
    if settings.account is not None:
        return _one_of(settings.account, active)
    if not accounts:
        if report is None:
            raise RecordsError("there is no account yet", where=store.where,
                               remedy="create the first one: `stripread accounts create NAME administrator`")
        return _first(store, report)[0].id
    if len(active) != 1:
        raise RecordsError("no account selected", where=store.where, found=f"{len(active)} active accounts",
                           allowed=", ".join(active), remedy=_REMEDY)
    return active[0]


def new_account_id() -> str:
    """Return a random pseudonym, short enough to type."""
    return f"p-{secrets.token_hex(4)}"


def _one_of(named: str, active: list[str]) -> str:
    if named not in active:
        raise RecordsError("the account is unknown or deactivated", where="setting `account`", found=named,
                           allowed=", ".join(active), remedy=_REMEDY)
    return named


def _first(store: Store, report: Callable[[str], None]) -> list[Account]:
    """Create the first account, unless another process has created one; return all accounts."""
    account = Account(id=new_account_id(), roles=ROLES)
    with store.writing(account.id) as transaction:
        made = transaction.empty(Account) and transaction.put(account, "account created", "the first of this store")
    if made:
        report(f"created the store {store.where}; the current account is {account.id}, with all roles")
    return store.find(Account)
