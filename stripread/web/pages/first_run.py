"""Creation of the first account with the setup code from the server's terminal; there is no default password."""

from __future__ import annotations

import hmac

from starlette.responses import Response

from shared.errors import InputError
from stripread.store import sign_ins
from stripread.store.accounts import SignIn, create_first
from stripread.web.limits import Attempt
from stripread.web.pages.sign_in import let_in
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext

#: Key of the rate limit on wrong codes.
_COUNTED = "first run"


def show(ask: RequestContext) -> Response:
    """Return the form, as long as no account can sign in."""
    return _form(ask) if _is_open(ask) else go("/sign-in")


def take(ask: RequestContext) -> Response:
    """Create the account, or enable sign-in for the only account created on the command line."""
    house = ask.house
    if not _is_open(ask):
        return go("/sign-in")
    house.failures.check(Attempt(_COUNTED, ask.address))
    if not hmac.compare_digest(_bare(ask.field("code")).encode(), _bare(house.code).encode()):
        house.failures.note(Attempt(_COUNTED, ask.address))
        return _form(ask, house.words("first.wrong-code"))
    try:
        account = create_first(house.store, ask.field("name"), SignIn(
            ask.field("sign-in"), house.passwords.hash(ask.field("password"))))
    except InputError as error:
        return _form(ask, error.message)
    house.code = ""
    return let_in(ask, account, "/")


def _form(ask: RequestContext, wrong: str = "") -> Response:
    return page(ask, "first.html", status=422 if wrong else 200, wrong=wrong, code=ask.field("code"),
                name=ask.field("name"), sign_in=ask.field("sign-in"))


def _is_open(ask: RequestContext) -> bool:
    """Return whether no account can sign in yet; the command line may have enabled one since the start."""
    if ask.house.code and sign_ins.anyone(ask.house.store):
        ask.house.code = ""
    return bool(ask.house.code)


def _bare(code: str) -> str:
    """Return a code without spaces and hyphens, in lower case."""
    return "".join(c for c in code.upper() if c.isalnum())
