"""Page of the current account: number format, password, sessions, API tokens."""

from __future__ import annotations

from starlette.responses import Response

from shared.errors import InputError
from shared.notation import HARDNESS_UNITS, Notation, time_zones
from stripread.store import accounts, sessions, sign_ins, tokens
from stripread.web.limits import Attempt
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of

_NAME_LETTERS = 60


def show(ask: RequestContext) -> Response:
    """Return the page."""
    return _shown(ask)


def _shown(ask: RequestContext, *, status: int = 200, wrong: str = "", secret: str = "") -> Response:
    store, account = ask.house.store, ask.who.account
    return page(ask, "me.html", status=status, wrong=wrong, secret=secret, units=HARDNESS_UNITS, scopes=tokens.SCOPES,
                sessions=sessions.open_sessions(store, account), tokens=tokens.tokens_of(store, account))


def set_preferences(ask: RequestContext) -> Response:
    """Store unit, decimal mark and time zone."""
    sign_ins.set_preferences(ask.house.store, ask.who.account, Notation(
        unit=one_of(HARDNESS_UNITS, ask.field("unit"), "unit"), comma=ask.field("comma") == "yes",
        zone=_zone(ask.field("zone").strip())))
    return go("/me")


def _zone(given: str) -> str:
    if given and given not in time_zones():
        raise InputError("is not a time zone", where="zone", found=repr(given[:60]),
                         allowed="a name of the IANA time zone database, as Europe/Vienna; empty: that of the device")
    return given


def set_password(ask: RequestContext) -> Response:
    """Change the password, given the current one; all other sessions end."""
    store, account, passwords = ask.house.store, ask.who.account, ask.house.passwords
    ask.house.failures.check(Attempt(account, ask.address))
    if not passwords.right(ask.field("present"), sign_ins.password_hash(store, account)):
        ask.house.failures.note(Attempt(account, ask.address))
        return _shown(ask, status=422, wrong=ask.house.words("me.wrong-password"))
    try:
        accounts.change_password(store, account, passwords.hash(ask.field("password")), session=ask.who.session)
    except InputError as error:
        return _shown(ask, status=422, wrong=error.message)
    return go("/me")


def close_session(ask: RequestContext) -> Response:
    """End a session of the current account on another device."""
    sessions.close_session(ask.house.store, ask.who.account, ask.field("session"))
    return go("/me")


def make_token(ask: RequestContext) -> Response:
    """Create a token and show it once."""
    name = ask.field("name").strip()
    scopes = tuple(dict.fromkeys(one_of(tokens.SCOPES, s, "scope") for s in ask.form.get("scope", [])))
    if not name or len(name) > _NAME_LETTERS or not name.isprintable() or not scopes:
        return _shown(ask, status=422, wrong=ask.house.words("me.token-needs"))
    return _shown(ask, secret=tokens.make_token(ask.house.store, ask.who.account, name, scopes))


def end_token(ask: RequestContext) -> Response:
    """Revoke a token of the current account."""
    tokens.end_token(ask.house.store, ask.who.account, ask.field("token"))
    return go("/me")
