"""When an account last visited on this device, for what is new since: a cookie with two times of the server."""

from __future__ import annotations

from datetime import datetime, timedelta

from starlette.requests import Request
from starlette.responses import Response

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
