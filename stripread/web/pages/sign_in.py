"""Sign-in and sign-out."""

from __future__ import annotations

from starlette.responses import Response

from stripread.store import sessions, sign_ins
from stripread.web import devices, journal
from stripread.web.identity import cookie_name
from stripread.web.limits import Attempt
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext


def show(ask: RequestContext) -> Response:
    """Return the form; while no account can sign in, redirect to the setup page."""
    if ask.house.code:
        return go("/first")
    return page(ask, "sign-in.html", to=_local(ask.query("next")), name="", wrong=False)


def take(ask: RequestContext) -> Response:
    """Check name and password. Open a session, or return the form without stating which of the two is wrong."""
    name, failures = ask.field("name"), ask.house.failures
    account, hash_ = sign_ins.find_sign_in(ask.house.store, name) or ("", None)
    attempt = Attempt(name, ask.address, device=devices.known_device(ask.request, account, hash_))
    failures.check(attempt)
    right = ask.house.passwords.right(ask.field("password"), hash_) and sign_ins.is_active(ask.house.store, account)
    ask.house.metrics.sign_ins.labels("let in" if right else "refused").inc()
    if right and hash_:
        failures.forgive(attempt)
        journal.note("signed in", account=account)
        answer = let_in(ask, account, _local(ask.field("next")))
        devices.remember(ask.request, answer, account, hash_)
        return answer
    failures.note(attempt)
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
