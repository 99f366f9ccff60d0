"""Authentication: a user with a session cookie, or a program with a token."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request

from shared.notation import PLAIN, Notation
from stripread.store import sessions
from stripread.store.models.accounts import Role
from stripread.store.site_access import ALL_SITES, SiteAccess, access_of
from stripread.store.store import Store
from stripread.web import csrf
from stripread.web.refusals import HTTPRefusal

_BEARER = "bearer "


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """``session`` and ``csrf`` are empty for a program; ``scopes`` is None for a user, who is limited by roles only."""

    account: str
    roles: frozenset[Role]
    access: SiteAccess = ALL_SITES
    name: str = ""
    preferences: Notation = PLAIN
    session: str = ""
    csrf: str = ""
    scopes: frozenset[str] | None = None


def cookie_name(request: Request) -> str:
    """Return the cookie name; over TLS its prefix binds it to this host, all paths and TLS."""
    return "__Host-session" if request.url.scheme == "https" else "session"


def identify(request: Request, store: Store) -> Identity | None:
    """Return the identity of a request, None if anonymous. Raises HTTPRefusal (401) for an invalid token."""
    credentials = request.headers.get("authorization", "")
    if credentials.lower().startswith(_BEARER):
        return _program(store, credentials[len(_BEARER):].strip())
    secret = request.cookies.get(cookie_name(request))
    return _person(store, secret) if secret else None


def _program(store: Store, secret: str) -> Identity:
    found = sessions.find_token(store, secret)
    if found is None:
        raise HTTPRefusal(401, "token")
    account, scopes = found
    return Identity(account=account.id, roles=frozenset(account.roles), access=access_of(account), scopes=scopes)


def _person(store: Store, secret: str) -> Identity | None:
    session = sessions.find_session(store, secret)
    if session is None:
        return None
    sessions.note_use(store, session)
    return Identity(account=session.account.id, roles=frozenset(session.account.roles),
                    access=access_of(session.account), name=session.name, preferences=session.preferences,
                    session=session.hash, csrf=csrf.token_of(secret))
