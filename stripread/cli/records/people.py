"""``stripread records people``: accounts, their roles, and the names of the people behind them."""

from __future__ import annotations

import click
import msgspec

from stripread.cli.main import complain, tell
from stripread.cli.records.store import store_and_account, the_store
from stripread.records import people as core
from stripread.records.kinds.people import ROLES, Role
from stripread.records.settings import ACCOUNT_VARIABLE, load_settings

_account = click.argument("account")
_roles = click.argument("roles", nargs=-1, required=True, metavar="ROLE...", type=click.Choice(ROLES))


@click.group()
def people() -> None:
    """Accounts, their roles, and the people behind them.

    Whatever an account does is kept under its id, which tells nobody's name; the name lies apart and can be forgotten.
    """


@people.command("list")
@click.option("--json", "as_json", is_flag=True, help="A JSON object a line.")
def list_(*, as_json: bool) -> None:
    """All accounts."""
    for person in core.people(the_store()):
        tell(msgspec.json.encode(person) if as_json else _line(person))


@people.command()
@click.argument("name")
@_roles
def add(name: str, roles: tuple[Role, ...]) -> None:
    """Make an account for NAME with one ROLE or more, and print its id.

    Roles: technician, analyst, reviewer, manager, administrator.
    """
    store, who = store_and_account(new=True)
    tell(core.add_person(store, name, roles, by=who).id)
    if load_settings().account is None:
        complain(f"there are several accounts now: set {ACCOUNT_VARIABLE}={who} to go on acting as before")


@people.command()
@_account
@_roles
def roles(account: str, roles: tuple[Role, ...]) -> None:
    """Give ACCOUNT these roles and no others.

    Roles: technician, analyst, reviewer, manager, administrator.
    """
    store, who = store_and_account()
    core.set_roles(store, account, roles, by=who)


@people.command()
@_account
@click.argument("name")
def rename(account: str, name: str) -> None:
    """Give the person of ACCOUNT another NAME; the earlier one is gone."""
    store, who = store_and_account()
    core.rename(store, account, name, by=who)


@people.command()
@_account
def forget(account: str) -> None:
    """Remove the name of ACCOUNT and its ways to sign in, for good; what it did stays, under its id.

    Backups made before still hold the name.
    """
    store, who = store_and_account()
    core.forget_name(store, account, by=who)


@people.command()
@_account
def close(account: str) -> None:
    """ACCOUNT acts no more; what it did stays."""
    store, who = store_and_account()
    core.close(store, account, by=who)


def _line(person: core.Person) -> str:
    state = "" if person.active else "  closed"
    return f"{person.account}  {person.name or '(no name)'}  {', '.join(person.roles)}{state}"
