"""The store that the settings name, and the account that acts, for the commands."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import click
import msgspec

from shared.errors import InputError
from stripread.cli.output import echo_error
from stripread.store.errors import NoRecordsError, RecordsError
from stripread.store.models.accounts import ROLES, Account, new_account_id
from stripread.store.settings import ACCOUNT_VARIABLE, Settings, load_settings
from stripread.store.sign_ins import is_active
from stripread.store.store import Store, open_store

_REMEDY: Final = f"set {ACCOUNT_VARIABLE}, or `account` in the settings file"


def current_account(store: Store, settings: Settings, report: Callable[[str], None] | None = None) -> str:
    """Return the id of the account that acts.

    If there is no account and ``report`` is given, the first one is created with all roles and reported. Raises
    RecordsError if there is none, several and none is named, or if the named one is unknown or deactivated.
    """
    if settings.account is not None and is_active(store, settings.account):
        return settings.account
    accounts = store.find(Account)
    active = [account.id for account in accounts if account.active]
    if settings.account is not None:
        raise RecordsError("the account is unknown or deactivated", where="setting `account`", found=settings.account,
                           allowed=", ".join(active), remedy=_REMEDY)
    if not accounts:
        if report is None:
            raise RecordsError("there is no account yet", where=store.where,
                               remedy="create the first one: `stripread accounts create NAME administrator`")
        return _first(store, report)[0].id
    if len(active) != 1:
        raise RecordsError("no account selected", where=store.where, found=f"{len(active)} active accounts",
                           allowed=", ".join(active), remedy=_REMEDY)
    return active[0]


def _first(store: Store, report: Callable[[str], None]) -> list[Account]:
    """Create the first account, unless another process has created one; return all accounts."""
    account = Account(id=new_account_id(), roles=ROLES)
    with store.writing(account.id) as transaction:
        made = transaction.empty(Account) and transaction.put(account, "account created", "the first of this store")
    if made:
        report(f"created the store {store.where}; the current account is {account.id}, with all roles")
    return store.find(Account)


#: What a command is about to do, given the store and the account that acts.
Act = Callable[[Store, str], object]


def open_store_from_settings(*, new: bool = False) -> Store:
    """The store, opened until the command ends; ``new``: one that is not there is made.

    Raises RecordsError where it cannot be opened: a mistyped location must not open an empty store.
    """
    store = open_store(load_settings(), new=new)
    click.get_current_context().call_on_close(store.close)
    return store


def store_and_account(first: Act | None = None) -> tuple[Store, str]:
    """As `open_store_from_settings`, and the id of the account that acts. Raises RecordsError where that is not clear.

    ``first``: what a command does that may be the first of a store. Where there is no store or account yet, it is
    tried in a scratch store before they are created: a command that fails creates neither.
    """
    if first is None or not begins():
        store = open_store_from_settings()
        return store, current_account(store, load_settings())
    with scratch() as trial:
        first(trial, current_account(trial, load_settings(), _silent))
    store = open_store_from_settings(new=True)
    return store, current_account(store, load_settings(), echo_error)


def begins() -> bool:
    """Whether there is no store yet where the settings say, or one without accounts."""
    try:
        return not open_store_from_settings().ids(Account)
    except NoRecordsError:
        return True


@contextmanager
def scratch() -> Iterator[Store]:
    """An empty store in a folder of its own, gone afterwards."""
    with TemporaryDirectory() as folder:
        place = Path(folder)
        store = open_store(msgspec.structs.replace(
            load_settings(), database=f"sqlite:///{place / 'scratch.sqlite'}", photographs=str(place / "photographs")))
        try:
            yield store
        except InputError as error:
            error.where = "new records" if error.where == store.where else error.where
            raise
        finally:
            store.close()


def _silent(_message: str) -> None:
    """Report nothing of a scratch store."""


def account_of(store: Store) -> str:
    """Return the ID of the account that acts. Raises RecordsError where it is not clear."""
    return current_account(store, load_settings())


def time_of_work(store: Store, day: datetime | None) -> datetime:
    """Return the beginning of the day, so that readings of that day come after it; else now.

    Raises RecordsError for a day in the future.
    """
    now = store.clock()
    at = now if day is None else day.replace(tzinfo=UTC)
    if at > now + timedelta(days=1):
        raise RecordsError("the day is in the future", where="--on", found=f"{at:%Y-%m-%d}", allowed="today or earlier",
                           remedy="record work once it is done")
    return at


def hint_account(account: str) -> None:
    """State how to continue with an account, now that the store has several."""
    if load_settings().account is None:
        echo_error(f"the store now has several accounts: set {ACCOUNT_VARIABLE}={account} to continue as before")
