"""The account of a person: sign-in and sign-out, the first account, number format, password, sessions, tokens.

There is no default password.
"""

from __future__ import annotations

from starlette.responses import Response

from shared.errors import InputError
from shared.notation import HARDNESS_UNITS, Notation, time_zones
from stripread.store import accounts, sessions, sign_ins
from stripread.store.accounts import SignIn, create_first
from stripread.web import authentication, middleware
from stripread.web.authentication import session_cookie
from stripread.web.refusals import Attempt, HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of
from stripread.web.state import bare_code


def show_sign_in(request: RequestContext) -> Response:
    """Return the form; while no account can sign in, redirect to the setup page."""
    if request.app.code:
        return go("/first")
    return page(request, "sign-in.html", to=_local(request.query("next")), name="", wrong=False,
                lost=request.query("lost") == "yes")


def sign_in(request: RequestContext) -> Response:
    """Check name and password. Open a session, or return the form without stating which of the two is wrong."""
    name, failures = request.field("name"), request.app.failures
    account, hash_ = sign_ins.find_sign_in(request.store, name) or ("", None)
    attempt = Attempt(name, request.address, device=authentication.known_device(request.http, account, hash_))
    failures.check(attempt)
    right = request.app.passwords.right(request.field("password"), hash_) and sign_ins.is_active(request.store, account)
    if right and hash_:
        failures.forgive(attempt)
        request.app.metrics.signed_in()
        sign_ins.note_sign_in(request.store, account)
        middleware.note("signed in", account=account)
        answer = let_in(request, account, _local(request.field("next")))
        authentication.remember_device(request.http, answer, account, hash_)
        return answer
    failures.note(attempt)
    request.app.metrics.sign_in_failed(account, request.address)
    middleware.note("sign-in refused", account=account, address=request.address)
    return page(request, "sign-in.html", status=401, to=_local(request.field("next")), name=name, wrong=True,
                lost=False)


def let_in(request: RequestContext, account: str, to: str) -> Response:
    """Open a new session, never reuse one, and redirect to the requested page."""
    secret = sessions.open_session(request.store, account, request.http.headers.get("user-agent", ""))
    answer = go(to)
    answer.set_cookie(session_cookie(request.http), secret, max_age=int(sessions.LONGEST.total_seconds()), path="/",
                      secure=request.http.url.scheme == "https", httponly=True, samesite="lax")
    return answer


def sign_out(request: RequestContext) -> Response:
    """End the session. Photographs queued on the phone are retained: there are no other copies."""
    sessions.close_session(request.store, request.account, request.user.session)
    answer = go("/sign-in")
    answer.delete_cookie(session_cookie(request.http), path="/", secure=request.http.url.scheme == "https",
                         httponly=True, samesite="lax")
    answer.headers["clear-site-data"] = '"cache"'
    return answer


def _local(to: str) -> str:
    """Return a local address; redirects to other sites are not possible."""
    return to if to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable() else "/"


#: Key of the rate limit on wrong codes.
_COUNTED = "first run"


def show_first(request: RequestContext) -> Response:
    """Return the form, as long as no account can sign in."""
    return _first_form(request) if _is_open(request) else go("/sign-in")


def take_first(request: RequestContext) -> Response:
    """Create the account, or enable sign-in for the only account created on the command line."""
    app = request.app
    if not _is_open(request):
        return go("/sign-in")
    app.failures.check(Attempt(_COUNTED, request.address))
    if not sign_ins.is_setup_code(app.store, bare_code(request.field("code"))):
        app.failures.note(Attempt(_COUNTED, request.address))
        return _first_form(request, app.messages("first.wrong-code"))
    try:
        account = create_first(app.store, request.field("name"), SignIn(
            request.field("sign-in"), app.passwords.hash(request.field("password"))))
    except InputError as error:
        return _first_form(request, error.message)
    app.code = ""
    sign_ins.clear_setup_codes(app.store)
    return let_in(request, account, "/")


def _first_form(request: RequestContext, wrong: str = "") -> Response:
    return page(request, "first.html", status=422 if wrong else 200, wrong=wrong, code=request.field("code"),
                name=request.field("name"), sign_in=request.field("sign-in"))


def _is_open(request: RequestContext) -> bool:
    """Return whether no account can sign in yet; the command line may have enabled one since the start."""
    if request.app.code and sign_ins.anyone(request.store):
        request.app.code = ""
    return bool(request.app.code)


_NAME_LETTERS = 60


def show(request: RequestContext) -> Response:
    """Return the page."""
    return _shown(request)


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "", secret: str = "") -> Response:
    store, account = request.store, request.account
    def permitted(token: sessions.Token) -> str:
        return ", ".join(request.app.messages(f"scope.{scope.replace(':', '_')}") for scope in token.scopes)

    return page(request, "me.html", status=status, wrong=wrong, secret=secret, units=HARDNESS_UNITS,
                scopes=sessions.SCOPES, permitted=permitted, sessions=sessions.open_sessions(store, account),
                tokens=sessions.tokens_of(store, account))


def set_preferences(request: RequestContext) -> Response:
    """Store unit, decimal mark and time zone."""
    store_preferences(request)
    return go("/me")


def store_preferences(request: RequestContext) -> Notation:
    """Store unit, decimal mark and time zone of the account and return them."""
    chosen = Notation(unit=one_of(HARDNESS_UNITS, request.field("unit"), "unit"),
                      comma=request.field("comma") == "yes", zone=_zone(request.field("zone").strip()))
    sign_ins.set_preferences(request.store, request.account, chosen)
    return chosen


def _zone(given: str) -> str:
    if given and given not in time_zones():
        raise InputError("is not a time zone", where="zone", found=repr(given[:60]),
                         allowed="a name of the IANA time zone database, as Europe/Vienna; empty: that of the device")
    return given


def set_password(request: RequestContext) -> Response:
    """Change the password, given the current one; all other sessions end."""
    try:
        change_password(request)
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    return go("/me")


def change_password(request: RequestContext) -> None:
    """Change the password, given the current one; all other sessions end. Raises InputError."""
    store, account, passwords = request.store, request.account, request.app.passwords
    request.app.failures.check(Attempt(account, request.address))
    if not passwords.right(request.field("present"), sign_ins.password_hash(store, account)):
        request.app.failures.note(Attempt(account, request.address))
        raise InputError("is not the current password", where="present", remedy="enter the current password")
    accounts.change_password(store, account, passwords.hash(request.field("password")), session=request.user.session)


def close_session(request: RequestContext) -> Response:
    """End a session of the current account on another device."""
    end_session(request)
    return go("/me")


def end_session(request: RequestContext) -> None:
    """End a session of the current account."""
    sessions.close_session(request.store, request.account, request.field("session"))


def make_token(request: RequestContext) -> Response:
    """Create a token and show it once."""
    try:
        return _shown(request, secret=create_token(request))
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)


def create_token(request: RequestContext) -> str:
    """Create a token and return its secret. Raises HTTPRefusal (403) where a token would allow more than its own."""
    name = request.field("name").strip()
    scopes = tuple(dict.fromkeys(one_of(sessions.SCOPES, s, "scope") for s in request.form.get("scope", [])))
    if not name or len(name) > _NAME_LETTERS or not name.isprintable() or not scopes:
        raise InputError("a token needs a name and a permission", where="name, scopes",
                         allowed=f"a name of at most {_NAME_LETTERS} characters, one permission or more")
    if request.user.scopes is not None and not request.user.scopes.issuperset(scopes):
        raise HTTPRefusal(403, "scope")
    return sessions.make_token(request.store, request.account, name, scopes)


def end_token(request: RequestContext) -> Response:
    """Revoke a token of the current account."""
    revoke_token(request)
    return go("/me")


def revoke_token(request: RequestContext) -> None:
    """Revoke a token of the current account."""
    sessions.end_token(request.store, request.account, request.field("token"))
