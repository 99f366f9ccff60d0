"""Page of the current account: number format, password, sessions, API tokens."""

from __future__ import annotations

from starlette.responses import Response

from shared.errors import InputError
from shared.notation import HARDNESS_UNITS, Notation, time_zones
from stripread.store import accounts, sessions, sign_ins
from stripread.web.limits import Attempt
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of

_NAME_LETTERS = 60


def show(request: RequestContext) -> Response:
    """Return the page."""
    return _shown(request)


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "", secret: str = "") -> Response:
    store, account = request.store, request.account
    return page(request, "me.html", status=status, wrong=wrong, secret=secret, units=HARDNESS_UNITS,
                scopes=sessions.SCOPES, sessions=sessions.open_sessions(store, account),
                tokens=sessions.tokens_of(store, account))


def set_preferences(request: RequestContext) -> Response:
    """Store unit, decimal mark and time zone."""
    sign_ins.set_preferences(request.store, request.account, Notation(
        unit=one_of(HARDNESS_UNITS, request.field("unit"), "unit"), comma=request.field("comma") == "yes",
        zone=_zone(request.field("zone").strip())))
    return go("/me")


def _zone(given: str) -> str:
    if given and given not in time_zones():
        raise InputError("is not a time zone", where="zone", found=repr(given[:60]),
                         allowed="a name of the IANA time zone database, as Europe/Vienna; empty: that of the device")
    return given


def set_password(request: RequestContext) -> Response:
    """Change the password, given the current one; all other sessions end."""
    store, account, passwords = request.store, request.account, request.app.passwords
    request.app.failures.check(Attempt(account, request.address))
    if not passwords.right(request.field("present"), sign_ins.password_hash(store, account)):
        request.app.failures.note(Attempt(account, request.address))
        return _shown(request, status=422, wrong=request.app.messages("me.wrong-password"))
    try:
        accounts.change_password(store, account, passwords.hash(request.field("password")),
                                 session=request.user.session)
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    return go("/me")


def close_session(request: RequestContext) -> Response:
    """End a session of the current account on another device."""
    sessions.close_session(request.store, request.account, request.field("session"))
    return go("/me")


def make_token(request: RequestContext) -> Response:
    """Create a token and show it once."""
    name = request.field("name").strip()
    scopes = tuple(dict.fromkeys(one_of(sessions.SCOPES, s, "scope") for s in request.form.get("scope", [])))
    if not name or len(name) > _NAME_LETTERS or not name.isprintable() or not scopes:
        return _shown(request, status=422, wrong=request.app.messages("me.token-needs"))
    return _shown(request, secret=sessions.make_token(request.store, request.account, name, scopes))


def end_token(request: RequestContext) -> Response:
    """Revoke a token of the current account."""
    sessions.end_token(request.store, request.account, request.field("token"))
    return go("/me")
