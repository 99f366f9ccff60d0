"""Accounts, as an administrator looks after them."""

from __future__ import annotations

import msgspec
from starlette.responses import Response

from shared.errors import InputError
from stripread.records.kinds.people import ROLES, Account, Role
from stripread.web import sessions, sign_ins
from stripread.web.ask import Ask, one_of
from stripread.web.pages import go, page


def show(ask: Ask) -> Response:
    """Everybody."""
    return _shown(ask)


def _shown(ask: Ask, *, status: int = 200, wrong: str = "") -> Response:
    return page(ask, "people.html", status=status, wrong=wrong, people=sign_ins.people(ask.house.store), roles=ROLES)


def add(ask: Ask) -> Response:
    """A new person with a first password, which they change themselves."""
    try:
        sign_ins.add_person(ask.house.store, sign_ins.NewPerson(
            name=ask.field("name"), sign_in=ask.field("sign-in"), roles=_roles(ask),
            password_hash=ask.house.passwords.hash(ask.field("password"))), by=ask.who.account)
    except InputError as error:
        return _shown(ask, status=422, wrong=error.message)
    return go("/people")


def change(ask: Ask) -> Response:
    """Other roles, or closed: then every session of the account ends at once."""
    account = _account(ask)
    changed = msgspec.structs.replace(account, roles=_roles(ask), active=ask.field("active") == "yes")
    try:
        sign_ins.set_account(ask.house.store, changed, by=ask.who.account)
    except InputError as error:
        return _shown(ask, status=422, wrong=error.message)
    if not changed.active:
        sessions.close_sessions(ask.house.store, account.id)
    return go("/people")


def set_password(ask: Ask) -> Response:
    """Another password for someone who has forgotten theirs; their sessions end."""
    account = _account(ask)
    try:
        sign_ins.set_password(ask.house.store, account.id, ask.house.passwords.hash(ask.field("password")),
                              by=ask.who.account)
    except InputError as error:
        return _shown(ask, status=422, wrong=error.message)
    sessions.close_sessions(ask.house.store, account.id)
    return go("/people")


def _account(ask: Ask) -> Account:
    return ask.one(Account, ask.path("account"))


def _roles(ask: Ask) -> tuple[Role, ...]:
    given = {one_of(ROLES, r, "roles") for r in ask.form.get("role", [])}
    return tuple(r for r in ROLES if r in given)
