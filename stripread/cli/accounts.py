"""``stripread accounts``: accounts, their roles, names, passwords and sessions."""

from __future__ import annotations

import sys

import click
import msgspec

from stripread.cli.commands import CommandGroup
from stripread.cli.options import json_lines_option
from stripread.cli.output import echo
from stripread.cli.store import begins, hint_account, open_store_from_settings, scratch, store_and_account
from stripread.store import accounts as administration
from stripread.store.models.accounts import ROLES, Role

_account = click.argument("account")
_roles = click.argument("roles", nargs=-1, required=True, metavar="ROLE...", type=click.Choice(ROLES))


@click.group(cls=CommandGroup, examples=('stripread accounts create "Ada Exampleworth" technician',))
def accounts() -> None:
    """Manage accounts, their roles, passwords and sessions.

    Records contain pseudonymous account IDs; names are stored separately and can be erased.
    """


@accounts.command("list", examples=("stripread accounts list --json",))
@json_lines_option
def list_(*, as_json: bool) -> None:
    """List all accounts with name, roles and sign-in name."""
    for account in administration.list_accounts(open_store_from_settings()):
        echo(msgspec.json.encode(account) if as_json else _line(account))


def _line(account: administration.AccountSummary) -> str:
    state = "" if account.active else "  deactivated"
    sign_in = f"  signs in as {account.sign_in}" if account.sign_in else ""
    return f"{account.account}  {account.name or '(no name)'}  {', '.join(account.roles)}{sign_in}{state}"


@accounts.command(examples=('stripread accounts create "Ada Exampleworth" technician reviewer',))
@click.argument("name")
@_roles
def create(name: str, roles: tuple[Role, ...]) -> None:
    """Create an account for NAME with at least one ROLE and print its ID.

    Roles: technician, analyst, reviewer, manager, administrator. The first account of a store must be an
    administrator.
    """
    if begins():
        with scratch() as trial:
            administration.create_first_administrator(trial, name, roles)
        echo(administration.create_first_administrator(open_store_from_settings(new=True), name, roles).id)
        return
    store, by = store_and_account()
    echo(administration.create_account(store, name, roles, by=by).id)
    hint_account(by)


@accounts.command("set-roles", examples=("stripread accounts set-roles p-1a2b3c4d technician reviewer",))
@_account
@_roles
def set_roles(account: str, roles: tuple[Role, ...]) -> None:
    """Set the roles of ACCOUNT, replacing the present ones.

    Roles: technician, analyst, reviewer, manager, administrator.
    """
    store, by = store_and_account()
    administration.change_account(store, account, by=by, roles=roles)


@accounts.command(examples=('stripread accounts rename p-1a2b3c4d "Ada Sampleton"',))
@_account
@click.argument("name")
def rename(account: str, name: str) -> None:
    """Change the name of ACCOUNT to NAME; the earlier name is erased."""
    store, by = store_and_account()
    administration.rename(store, account, name, by=by)


@accounts.command("reset-password", examples=(
    "stripread accounts reset-password p-1a2b3c4d", "stripread accounts reset-password p-1a2b3c4d --sign-in kim"))
@_account
@click.option("--sign-in", metavar="NAME", help="Sign-in name, for an account that does not have one yet.")
@click.option("--password-stdin", is_flag=True, help="Password from standard input, without a prompt.")
def reset_password(account: str, *, sign_in: str | None, password_stdin: bool) -> None:
    """Set a new password for ACCOUNT and end its sessions and tokens.

    With --sign-in, enable an account to sign in to the pages.
    """
    from stripread.web.authentication import Passwords

    store, by = store_and_account()
    hash_ = Passwords().hash(_password(from_stdin=password_stdin))
    if sign_in is None:
        administration.reset_password(store, account, hash_, by=by)
    else:
        administration.add_sign_in(store, account, administration.SignIn(sign_in, hash_), by=by)


def _password(*, from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    password: str = click.prompt("Password", hide_input=True, confirmation_prompt=True)
    return password


@accounts.command("end-sessions", examples=("stripread accounts end-sessions p-1a2b3c4d",))
@_account
def end_sessions(account: str) -> None:
    """End all sessions and tokens of ACCOUNT."""
    store, by = store_and_account()
    administration.end_sessions(store, account, by=by)


@accounts.command(examples=("stripread accounts deactivate p-1a2b3c4d",))
@_account
def deactivate(account: str) -> None:
    """Deactivate ACCOUNT and end its sessions and tokens; its records are retained."""
    store, by = store_and_account()
    administration.change_account(store, account, by=by, active=False)


@accounts.command(examples=("stripread accounts reactivate p-1a2b3c4d",))
@_account
def reactivate(account: str) -> None:
    """Reactivate ACCOUNT; earlier sessions and tokens remain invalid."""
    store, by = store_and_account()
    administration.change_account(store, account, by=by, active=True)


@accounts.command("erase-name", examples=("stripread accounts erase-name p-1a2b3c4d",))
@_account
def erase_name(account: str) -> None:
    """Erase the name and credentials of ACCOUNT permanently.

    Its actions remain under its pseudonymous ID. Earlier backups still contain the name.
    """
    store, by = store_and_account()
    administration.erase_name(store, account, by=by)
