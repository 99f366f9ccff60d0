"""``stripread records people``: accounts, their roles, names and sign-ins."""

from __future__ import annotations

import sys

import click
import msgspec

from stripread.cli.lazy import SuggestingGroup
from stripread.cli.main import echo, echo_error
from stripread.cli.records.store import begins, open_store_from_settings, scratch, store_and_account
from stripread.store import accounts
from stripread.store.models.accounts import ROLES, Role
from stripread.store.settings import ACCOUNT_VARIABLE, load_settings

_account = click.argument("account")
_roles = click.argument("roles", nargs=-1, required=True, metavar="ROLE...", type=click.Choice(ROLES))


@click.group(cls=SuggestingGroup)
def people() -> None:
    """Administer accounts: roles, names, passwords, sessions.

    Records contain an account's id, never its person's name; the name is stored apart and can be erased.
    """


@people.command("list")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def list_(*, as_json: bool) -> None:
    """List all accounts."""
    for account in accounts.list_accounts(open_store_from_settings()):
        echo(msgspec.json.encode(account) if as_json else _line(account))


@people.command()
@click.argument("name")
@_roles
def add(name: str, roles: tuple[Role, ...]) -> None:
    """Create an account for NAME with at least one ROLE, and print its id.

    Roles: technician, analyst, reviewer, manager, administrator. The first account of a store needs the last.
    """
    if begins():
        with scratch() as trial:
            accounts.create_first_administrator(trial, name, roles)
        echo(accounts.create_first_administrator(open_store_from_settings(new=True), name, roles).id)
        return
    store, who = store_and_account()
    echo(accounts.create_account(store, name, roles, by=who).id)
    if load_settings().account is None:
        echo_error(f"there are several accounts now: set {ACCOUNT_VARIABLE}={who} to go on acting as before")


@people.command()
@_account
@_roles
def roles(account: str, roles: tuple[Role, ...]) -> None:
    """Give ACCOUNT these roles and no others.

    Roles: technician, analyst, reviewer, manager, administrator.
    """
    store, who = store_and_account()
    accounts.change_account(store, account, by=who, roles=roles)


@people.command()
@_account
@click.argument("name")
def rename(account: str, name: str) -> None:
    """Give the person of ACCOUNT another NAME; the earlier one is erased."""
    store, who = store_and_account()
    accounts.rename(store, account, name, by=who)


@people.command("reset-password")
@_account
@click.option("--sign-in", metavar="NAME", help="Sign-in name, for an account that cannot sign in yet.")
@click.option("--password-stdin", is_flag=True, help="Read the password from standard input, without a prompt.")
def reset_password(account: str, *, sign_in: str | None, password_stdin: bool) -> None:
    """Set another password for ACCOUNT; its sessions and tokens end.

    With --sign-in, let the person of ACCOUNT sign in to the pages:

      stripread records people reset-password p-1a2b3c4d --sign-in kim
    """
    from stripread.web.passwords import Passwords

    store, who = store_and_account()
    hash_ = Passwords().hash(_password(from_stdin=password_stdin))
    if sign_in is None:
        accounts.reset_password(store, account, hash_, by=who)
    else:
        accounts.add_sign_in(store, account, accounts.SignIn(sign_in, hash_), by=who)


@people.command("end-sessions")
@_account
def end_sessions(account: str) -> None:
    """End all sessions and tokens of ACCOUNT."""
    store, who = store_and_account()
    accounts.end_sessions(store, account, by=who)


@people.command()
@_account
def deactivate(account: str) -> None:
    """Deactivate ACCOUNT: it cannot act, its sessions and tokens end, its records remain."""
    store, who = store_and_account()
    accounts.change_account(store, account, by=who, active=False)


@people.command()
@_account
def reactivate(account: str) -> None:
    """Reactivate ACCOUNT; sessions and tokens of before do not return."""
    store, who = store_and_account()
    accounts.change_account(store, account, by=who, active=True)


@people.command()
@_account
def forget(account: str) -> None:
    """Erase the name and the sign-in of ACCOUNT; its records remain, under its id.

    Earlier backups still contain the name.
    """
    store, who = store_and_account()
    accounts.erase_name(store, account, by=who)


def _password(*, from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    password: str = click.prompt("Password", hide_input=True, confirmation_prompt=True)
    return password


def _line(account: accounts.AccountSummary) -> str:
    state = "" if account.active else "  deactivated"
    sign_in = f"  signs in as {account.sign_in}" if account.sign_in else ""
    return f"{account.account}  {account.name or '(no name)'}  {', '.join(account.roles)}{sign_in}{state}"
