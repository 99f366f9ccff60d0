"""``stripread technicians``: people who take readings, and their qualification."""

from __future__ import annotations

from datetime import date, datetime

import click
import msgspec

from stripread.cli.commands import CommandGroup
from stripread.cli.options import json_lines_option, json_option, qualification
from stripread.cli.output import echo, echo_error
from stripread.cli.store import hint_account, open_store_from_settings, store_and_account
from stripread.intake.qualification import TechnicianStatus
from stripread.intake.qualification import technicians as all_technicians
from stripread.store.accounts import create_account
from stripread.store.errors import RecordsError
from stripread.store.lookup import resolve_id
from stripread.store.models.accounts import Account, Outcome, TechnicianQualification
from stripread.store.models.record import new_id


@click.group(cls=CommandGroup, examples=("stripread technicians list",))
def technicians() -> None:
    """List, register and qualify technicians.

    A technician is an account with the role technician. `stripread maintenance due` lists qualifications that
    expire.
    """


@technicians.command("list", examples=("stripread technicians list --json",))
@json_lines_option
def list_(*, as_json: bool) -> None:
    """List active technicians with their qualification."""
    store = open_store_from_settings()
    registered, today = all_technicians(store), store.clock().date()
    for one in registered:
        if as_json:
            echo(msgspec.json.encode({**msgspec.to_builtins(one), "qualified": one.qualified(today)}))
        else:
            echo(f"{one.account}  {one.name or '(no name)'}: {_state(one, today)}")
    if not registered:
        echo_error("no technicians: register one with `stripread technicians register`")


def _state(one: TechnicianStatus, today: date) -> str:
    if one.outcome is None:
        return "no qualification recorded"
    ended = one.outcome == "qualified" and not one.qualified(today)
    until = f", {'ended' if ended else 'until'} {one.until}" if one.until else ""
    return f"{one.outcome} on {one.on}{until}{f' ({one.note})' if one.note else ''}"


@technicians.command(examples=('stripread technicians register "Ada Exampleworth"',))
@click.argument("name")
@json_option
def register(name: str, *, as_json: bool) -> None:
    """Create an account for NAME with the role technician and print its ID.

    For an account that exists already, add the role with `stripread accounts set-roles`.
    """
    store, by = store_and_account()
    made = create_account(store, name, ["technician"], by=by)
    echo(msgspec.json.encode(made) if as_json else made.id)
    hint_account(by)


@technicians.command(examples=(
    'stripread technicians qualify p-1a2b3c4d qualified --until 2031-12-31 --note "12 strips agree with p-5e6f7a8b"',))
@click.argument("technician")
@qualification
def qualify(technician: str, outcome: Outcome, *, until: datetime | None, note: str, as_json: bool) -> None:
    """Record the qualification of TECHNICIAN, an account ID or a prefix: OUTCOME is qualified or not-qualified."""
    store, by = store_and_account()
    account = store.get(Account, resolve_id(store, Account, technician))
    if "technician" not in account.roles:
        raise RecordsError("this account does not have the role technician", where=f"account {account.id}",
                           found=", ".join(account.roles), allowed="an account with the role technician",
                           remedy=f"add the role with `stripread accounts set-roles {account.id} technician ...`")
    with store.writing(by) as transaction:
        made = TechnicianQualification(id=new_id(), technician=account.id, outcome=outcome, at=transaction.now,
                                       account=by, until=until and until.date(), note=note)
        transaction.put(made, outcome, note)
    echo(msgspec.json.encode(made) if as_json else f"{made.technician} {outcome}")
