"""Cookies of a device: the accounts that have signed in on it, and when an account last visited.

The pattern of the first is that of OWASP's device cookies: failures elsewhere never slow down such a device. The cookie
is keyed by the account's password hash, so that no secret of its own is stored, and another password ends all of them.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from datetime import datetime, timedelta

from starlette.requests import Request
from starlette.responses import Response

#: Lifetime of the device cookie.
LIFE = timedelta(days=180)


def cookie_name(request: Request) -> str:
    """As that of the session."""
    return "__Host-device" if request.url.scheme == "https" else "device"


def known_device(request: Request, account: str, password_hash: str | None) -> str:
    """Return the id of the requesting device if it has signed in to the account, else an empty text."""
    name, _, proof = request.cookies.get(cookie_name(request), "").partition(".")
    if not (name and proof and password_hash):
        return ""
    return name if hmac.compare_digest(proof.encode(), _proof(name, account, password_hash).encode()) else ""


def remember(request: Request, answer: Response, account: str, password_hash: str) -> None:
    """Set the device cookie."""
    name = secrets.token_hex(16)
    answer.set_cookie(cookie_name(request), f"{name}.{_proof(name, account, password_hash)}", path="/",
                      max_age=int(LIFE.total_seconds()), secure=request.url.scheme == "https", httponly=True,
                      samesite="lax")


def _proof(name: str, account: str, password_hash: str) -> str:
    return hmac.new(password_hash.encode(), f"device\n{account}\n{name}".encode(), hashlib.sha256).hexdigest()


#: A pause this long ends a visit. Without an earlier visit, news are those of the last days.
_PAUSE, _FIRST = timedelta(minutes=30), timedelta(days=7)
_LIFE = timedelta(days=90)
_COOKIE = "visit"


def last_visit(request: Request, now: datetime) -> datetime:
    """Return the end of the visit before this one."""
    before, seen = _times(request, now)
    return seen if now - seen > _PAUSE else before


def note_visit(request: Request, answer: Response, now: datetime) -> None:
    """Store that the visit goes on."""
    answer.set_cookie(_COOKIE, f"{last_visit(request, now).isoformat()}|{now.isoformat()}", path="/",
                      max_age=int(_LIFE.total_seconds()), secure=request.url.scheme == "https", httponly=True,
                      samesite="lax")


def _times(request: Request, now: datetime) -> tuple[datetime, datetime]:
    """Return the end of the earlier visit and the last moment of this one; invalid ones count as none."""
    try:
        before, seen = (datetime.fromisoformat(t) for t in request.cookies.get(_COOKIE, "").split("|"))
        return (before, seen) if before.tzinfo and seen.tzinfo and before <= seen <= now else (now - _FIRST, now)
    except ValueError:
        return now - _FIRST, now
