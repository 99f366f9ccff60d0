"""Sign-in and sign-out; creation of the first account with the setup code from the server's terminal.

There is no default password.
"""

from __future__ import annotations

from starlette.responses import Response

from shared.errors import InputError
from stripread.store import sessions, sign_ins
from stripread.store.accounts import SignIn, create_first
from stripread.web import cookies, journal
from stripread.web.identity import cookie_name
from stripread.web.limits import Attempt
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext
from stripread.web.state import bare_code


def show(request: RequestContext) -> Response:
    """Return the form; while no account can sign in, redirect to the setup page."""
    if request.app.code:
        return go("/first")
    return page(request, "sign-in.html", to=_local(request.query("next")), name="", wrong=False)


def take(request: RequestContext) -> Response:
    """Check name and password. Open a session, or return the form without stating which of the two is wrong."""
    name, failures = request.field("name"), request.app.failures
    account, hash_ = sign_ins.find_sign_in(request.store, name) or ("", None)
    attempt = Attempt(name, request.address, device=cookies.known_device(request.http, account, hash_))
    failures.check(attempt)
    right = request.app.passwords.right(request.field("password"), hash_) and sign_ins.is_active(request.store, account)
    if right and hash_:
        failures.forgive(attempt)
        request.app.metrics.signed_in()
        sign_ins.note_sign_in(request.store, account)
        journal.note("signed in", account=account)
        answer = let_in(request, account, _local(request.field("next")))
        cookies.remember(request.http, answer, account, hash_)
        return answer
    failures.note(attempt)
    request.app.metrics.sign_in_failed(account, request.address)
    journal.note("sign-in refused", account=account, address=request.address)
    return page(request, "sign-in.html", status=401, to=_local(request.field("next")), name=name, wrong=True)


def let_in(request: RequestContext, account: str, to: str) -> Response:
    """Open a new session, never reuse one, and redirect to the requested page."""
    secret = sessions.open_session(request.store, account, request.http.headers.get("user-agent", ""))
    answer = go(to)
    answer.set_cookie(cookie_name(request.http), secret, max_age=int(sessions.LONGEST.total_seconds()), path="/",
                      secure=request.http.url.scheme == "https", httponly=True, samesite="lax")
    return answer


def leave(request: RequestContext) -> Response:
    """End the session. Photographs queued on the phone are retained: there are no other copies."""
    sessions.close_session(request.store, request.account, request.user.session)
    answer = go("/sign-in")
    answer.delete_cookie(cookie_name(request.http), path="/", secure=request.http.url.scheme == "https", httponly=True,
                         samesite="lax")
    answer.headers["clear-site-data"] = '"cache"'
    return answer


def _local(to: str) -> str:
    """Return a local address; redirects to other sites are not possible."""
    return to if to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable() else "/"


#: Key of the rate limit on wrong codes.
_COUNTED = "first run"


def show_first(request: RequestContext) -> Response:
    """Return the form, as long as no account can sign in."""
    return _form(request) if _is_open(request) else go("/sign-in")


def take_first(request: RequestContext) -> Response:
    """Create the account, or enable sign-in for the only account created on the command line."""
    app = request.app
    if not _is_open(request):
        return go("/sign-in")
    app.failures.check(Attempt(_COUNTED, request.address))
    if not sign_ins.is_setup_code(app.store, bare_code(request.field("code"))):
        app.failures.note(Attempt(_COUNTED, request.address))
        return _form(request, app.messages("first.wrong-code"))
    try:
        account = create_first(app.store, request.field("name"), SignIn(
            request.field("sign-in"), app.passwords.hash(request.field("password"))))
    except InputError as error:
        return _form(request, error.message)
    app.code = ""
    sign_ins.clear_setup_codes(app.store)
    return let_in(request, account, "/")


def _form(request: RequestContext, wrong: str = "") -> Response:
    return page(request, "first.html", status=422 if wrong else 200, wrong=wrong, code=request.field("code"),
                name=request.field("name"), sign_in=request.field("sign-in"))


def _is_open(request: RequestContext) -> bool:
    """Return whether no account can sign in yet; the command line may have enabled one since the start."""
    if request.app.code and sign_ins.anyone(request.store):
        request.app.code = ""
    return bool(request.app.code)
