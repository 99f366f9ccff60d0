"""The sample company's folder: its store, built on first use, and the settings file that opens it."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from shared.files import write_whole
from stripread.demo.company import PEOPLE, Person
from stripread.demo.construction import settings_of, worker_pool
from stripread.demo.year import Progress, build
from stripread.store.accounts import SignIn, add_sign_in, list_accounts, reset_password
from stripread.store.models.accounts import ROLES, Role
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store

#: Where the store is in the demonstration folder; a file that exists once the store is complete.
STORE: Final = "company"
SETTINGS_FILE: Final = "stripread.toml"
#: Random bytes of a password.
_BYTES: Final = 12


def exists(out: Path) -> bool:
    """Return whether the sample company's store is complete in the folder ``out``."""
    return (out / STORE / SETTINGS_FILE).is_file()


def company_settings(out: Path, watch: Progress[int] = iter) -> Settings:
    """Return the settings of the sample company's store in the folder ``out``; build the store if it is missing.

    A store whose construction was interrupted is built again.
    """
    folder = (out / STORE).absolute()
    if not exists(out):
        for stale in folder.glob("records.sqlite*"):
            stale.unlink()
        folder.mkdir(parents=True, exist_ok=True)
        with worker_pool() as pool:
            build(folder, datetime.now(UTC).date(), pool, watch=watch)
        _write_settings(folder)
    return settings_of(folder)


def _write_settings(folder: Path) -> None:
    """Write the settings file for the command line, which acts as the manager."""
    settings = settings_of(folder)
    store = open_store(settings, new=False)
    try:
        who = accounts(store)
    finally:
        store.close()
    others = "".join(f"# {role}: {id_}\n" for role, id_ in who.items())
    lines = [f'database = "{settings.database}"', f'photographs = "{settings.photographs}"',
             f'account = "{who["manager"]}"', "", "[review]", f"share = {settings.review.share}",
             f'seed = "{settings.review.seed}"', "", "[issuer]", f'name = "{settings.issuer.name}"']
    text = f"# Store of the sample company: all data are fictitious. Accounts by role:\n{others}" + "\n".join(lines)
    write_whole(folder / SETTINGS_FILE, f"{text}\n".encode())


def accounts(store: Store) -> dict[Role, str]:
    """Return the ids of the accounts by role."""
    ids = {role: a.account for a in list_accounts(store) for role in a.roles}
    return {role: ids[role] for role in ROLES if role in ids}


def new_passwords(settings: Settings, hashed: Callable[[str], str]) -> list[tuple[Person, str]]:
    """Give each account of the company a new random password; return them with their persons.

    ``hashed``: returns the hash of a password.
    """
    store = open_store(settings, new=False)
    try:
        who, sign_ins = accounts(store), {a.account for a in list_accounts(store) if a.sign_in}
        given = [(person, secrets.token_urlsafe(_BYTES)) for person in PEOPLE]
        for person, password in given:
            id_, by = who[person.role], who["administrator"]
            if id_ in sign_ins:
                reset_password(store, id_, hashed(password), by=by)
            else:
                add_sign_in(store, id_, SignIn(person.sign_in, hashed(password)), by=by)
    finally:
        store.close()
    return given
