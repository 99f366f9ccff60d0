"""Sign-in and sign-out; creation of the first account with the setup code from the server's terminal.

There is no default password.
"""

from __future__ import annotations

from starlette.responses import Response

from shared.errors import InputError
from stripread.store import attempts, sessions, sign_ins
from stripread.store.accounts import SignIn, create_first
from stripread.web import cookies, journal
from stripread.web.identity import cookie_name
from stripread.web.limits import Attempt
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext
from stripread.web.state import bare_code


def show(ask: RequestContext) -> Response:
    """Return the form; while no account can sign in, redirect to the setup page."""
    if ask.house.code:
        return go("/first")
    return page(ask, "sign-in.html", to=_local(ask.query("next")), name="", wrong=False)


def take(ask: RequestContext) -> Response:
    """Check name and password. Open a session, or return the form without stating which of the two is wrong."""
    name, failures = ask.field("name"), ask.house.failures
    account, hash_ = sign_ins.find_sign_in(ask.house.store, name) or ("", None)
    attempt = Attempt(name, ask.address, device=cookies.known_device(ask.request, account, hash_))
    failures.check(attempt)
    right = ask.house.passwords.right(ask.field("password"), hash_) and sign_ins.is_active(ask.house.store, account)
    if right and hash_:
        failures.forgive(attempt)
        ask.house.metrics.signed_in()
        sign_ins.note_sign_in(ask.house.store, account)
        journal.note("signed in", account=account)
        answer = let_in(ask, account, _local(ask.field("next")))
        cookies.remember(ask.request, answer, account, hash_)
        return answer
    failures.note(attempt)
    ask.house.metrics.sign_in_failed(account, ask.address)
    journal.note("sign-in refused", account=account, address=ask.address)
    return page(ask, "sign-in.html", status=401, to=_local(ask.field("next")), name=name, wrong=True)


def let_in(ask: RequestContext, account: str, to: str) -> Response:
    """Open a new session, never reuse one, and redirect to the requested page."""
    secret = sessions.open_session(ask.house.store, account, ask.request.headers.get("user-agent", ""))
    answer = go(to)
    answer.set_cookie(cookie_name(ask.request), secret, max_age=int(sessions.LONGEST.total_seconds()), path="/",
                      secure=ask.request.url.scheme == "https", httponly=True, samesite="lax")
    return answer


def leave(ask: RequestContext) -> Response:
    """End the session. Photographs queued on the phone are retained: there are no other copies."""
    sessions.close_session(ask.house.store, ask.who.account, ask.who.session)
    answer = go("/sign-in")
    answer.delete_cookie(cookie_name(ask.request), path="/", secure=ask.request.url.scheme == "https", httponly=True,
                         samesite="lax")
    answer.headers["clear-site-data"] = '"cache"'
    return answer


def _local(to: str) -> str:
    """Return a local address; redirects to other sites are not possible."""
    return to if to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable() else "/"


#: Key of the rate limit on wrong codes.
_COUNTED = "first run"


def show_first(ask: RequestContext) -> Response:
    """Return the form, as long as no account can sign in."""
    return _form(ask) if _is_open(ask) else go("/sign-in")


def take_first(ask: RequestContext) -> Response:
    """Create the account, or enable sign-in for the only account created on the command line."""
    house = ask.house
    if not _is_open(ask):
        return go("/sign-in")
    house.failures.check(Attempt(_COUNTED, ask.address))
    if not attempts.is_setup_code(house.store, bare_code(ask.field("code"))):
        house.failures.note(Attempt(_COUNTED, ask.address))
        return _form(ask, house.words("first.wrong-code"))
    try:
        account = create_first(house.store, ask.field("name"), SignIn(
            ask.field("sign-in"), house.passwords.hash(ask.field("password"))))
    except InputError as error:
        return _form(ask, error.message)
    house.code = ""
    attempts.clear_setup_codes(house.store)
    return let_in(ask, account, "/")


def _form(ask: RequestContext, wrong: str = "") -> Response:
    return page(ask, "first.html", status=422 if wrong else 200, wrong=wrong, code=ask.field("code"),
                name=ask.field("name"), sign_in=ask.field("sign-in"))


def _is_open(ask: RequestContext) -> bool:
    """Return whether no account can sign in yet; the command line may have enabled one since the start."""
    if ask.house.code and sign_ins.anyone(ask.house.store):
        ask.house.code = ""
    return bool(ask.house.code)
