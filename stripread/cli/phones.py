"""``stripread phones``: phones that take photographs, and their qualification."""

from __future__ import annotations

from datetime import datetime

import click
import msgspec

from stripread.cli.commands import CommandGroup
from stripread.cli.options import json_lines_option, json_option, qualification
from stripread.cli.output import echo, echo_error
from stripread.cli.store import open_store_from_settings, store_and_account
from stripread.store.lookup import resolve_id
from stripread.store.models.accounts import Account, Outcome
from stripread.store.models.materials import Phone, Qualification
from stripread.store.models.record import new_id


@click.group(cls=CommandGroup, examples=("stripread phones list",))
def phones() -> None:
    """List, register and qualify the phones that take photographs.

    Readings of a phone model that is not qualified get the flag phone-new. A model is qualified once a check standard
    photographed with it has passed (`stripread chart check`), or by `stripread phones qualify`.
    """


@phones.command("list", examples=("stripread phones list --json",))
@json_lines_option
def list_(*, as_json: bool) -> None:
    """List phones with model and qualification."""
    from stripread.intake.qualification import last_passed, qualified_models

    store = open_store_from_settings()
    qualified, passed = qualified_models(store, store.clock()), last_passed(store)
    registered = store.find(Phone)
    for phone in registered:
        if as_json:
            echo(msgspec.json.encode({**msgspec.to_builtins(phone), "qualified": phone.model in qualified,
                                      "last_passed": passed.get(phone.model)}))
        else:
            day = f", check standard passed on {passed[phone.model]}" if phone.model in passed else ""
            retired = f", retired {phone.retired}" if phone.retired else ""
            state = "qualified" if phone.model in qualified else "not qualified"
            echo(f"{phone.id}  {phone.model}: {state}{day}{retired}")
    if not registered:
        echo_error("no phones: register one with `stripread phones register`")


@phones.command(examples=('stripread phones register phone-3 "Invented Camera 3"',))
@click.argument("phone")
@click.argument("model")
@click.option("--account", metavar="ACCOUNT", help="Account of the person who uses it: its ID or a prefix.")
@json_option
def register(phone: str, model: str, *, account: str | None, as_json: bool) -> None:
    """Register PHONE, an ID of your own, with its MODEL (make and model as in its photographs)."""
    store, by = store_and_account()
    made = Phone(id=phone, model=model, account=account and resolve_id(store, Account, account))
    with store.writing(by) as transaction:
        transaction.put(made, "registered")
    echo(msgspec.json.encode(made) if as_json else f"{phone} registered: {model}")


@phones.command(examples=(
    'stripread phones qualify phone-3 qualified --until 2031-12-31 --note "agrees with phone-1 on 12 strips"',))
@click.argument("phone")
@qualification
def qualify(phone: str, outcome: Outcome, *, until: datetime | None, note: str, as_json: bool) -> None:
    """Record the qualification of PHONE: its OUTCOME is qualified or not-qualified.

    This record takes precedence over check standards photographed with the phone's model.
    """
    store, by = store_and_account()
    with store.writing(by) as transaction:
        made = Qualification(id=new_id(), phone=resolve_id(store, Phone, phone), outcome=outcome, at=transaction.now,
                             account=by, until=until and until.date(), note=note)
        transaction.put(made, outcome, note)
    echo(msgspec.json.encode(made) if as_json else f"{made.phone} {outcome}")
