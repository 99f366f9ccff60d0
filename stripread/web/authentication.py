"""Who sends a request: a person with password, session and form token, or a program with a token; known devices.

Passwords are hashed with Argon2id (RFC 9106); few hashes run at a time, because each takes 64 MiB. The cookie of a
device follows the pattern of OWASP's device cookies: failures elsewhere never slow down a device that has signed in.
It is keyed by the account's password hash, so that no secret of its own is stored, and another password ends all.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from threading import BoundedSemaphore
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from starlette.requests import Request
from starlette.responses import Response

from shared.errors import InputError
from shared.notation import PLAIN, Notation
from stripread.store import sessions
from stripread.store.models.accounts import Role
from stripread.store.site_access import ALL_SITES, SiteAccess, access_of
from stripread.store.store import Store
from stripread.web.refusals import HTTPRefusal

#: NIST SP 800-63B, 5.1.1.2, and OWASP ASVS 5.0, 6.2: length limits, no composition rules.
SHORTEST, LONGEST = 12, 128
AT_ONCE: Final = 2
PATIENCE_S: Final = 10.0


class Passwords:
    """Creates and verifies hashes."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        self._turns = BoundedSemaphore(AT_ONCE)
        self._unmatched = self._hasher.hash("no account")

    def hash(self, password: str) -> str:
        """Return a hash with its salt and parameters. Raises InputError for a password of invalid length."""
        if not SHORTEST <= len(password) <= LONGEST:
            raise InputError("the password has the wrong length", where="password", found=f"{len(password)} characters",
                             allowed=f"{SHORTEST} to {LONGEST} characters",
                             remedy="use several words; they are easy to remember")
        with self._turn():
            return self._hasher.hash(password)

    def right(self, password: str, hash_: str | None) -> bool:
        """Return whether the password matches the hash; None takes the same time and never matches."""
        with self._turn():
            try:
                self._hasher.verify(hash_ or self._unmatched, password)
            except (VerificationError, InvalidHashError):
                return False
        return hash_ is not None

    @contextmanager
    def _turn(self) -> Iterator[None]:
        if not self._turns.acquire(timeout=PATIENCE_S):
            raise HTTPRefusal(503, "busy")
        try:
            yield
        finally:
            self._turns.release()


FIELD, HEADER = "csrf", "x-csrf-token"


def token_of(session_secret: str) -> str:
    """Return the token of a session, derived from its secret without disclosing it."""
    return hmac.new(session_secret.encode(), b"form", hashlib.sha256).hexdigest()


def masked(token: str) -> str:
    """Return the token for a page, masked differently each time against the BREACH attack."""
    mask = secrets.token_bytes(len(token) // 2)
    return mask.hex() + _xor(mask, token)


def _xor(mask: bytes, token: str) -> str:
    return bytes(a ^ b for a, b in zip(mask, bytes.fromhex(token), strict=True)).hex()


def check_origin(request: Request) -> None:
    """Raise HTTPRefusal for a cross-site request, or for one without an origin."""
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    ours = f"{request.url.scheme}://{request.headers.get('host', '')}"
    if site is not None and site not in ("same-origin", "none"):
        raise HTTPRefusal(403, "other-site")
    if origin is not None and origin != ours:
        raise HTTPRefusal(403, "other-site")
    if site is None and origin is None:
        raise HTTPRefusal(403, "no-origin")


def check_token(given: str, expected: str) -> None:
    """Raise HTTPRefusal where the token does not belong to this session."""
    try:
        bare = bytes.fromhex(given)
        half = len(expected) // 2
        same = hmac.compare_digest(_xor(bare[:half], bare[half:].hex()), expected)
    except ValueError:
        same = False
    if not same:
        raise HTTPRefusal(403, "old-form")


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


def session_cookie(request: Request) -> str:
    """Return the cookie name; over TLS its prefix binds it to this host, all paths and TLS."""
    return "__Host-session" if request.url.scheme == "https" else "session"


def identify(request: Request, store: Store) -> Identity | None:
    """Return the identity of a request, None if anonymous. Raises HTTPRefusal (401) for an invalid token."""
    credentials = request.headers.get("authorization", "")
    if credentials.lower().startswith(_BEARER):
        return _program(store, credentials[len(_BEARER):].strip())
    secret = request.cookies.get(session_cookie(request))
    return _person(store, secret) if secret else None


def _program(store: Store, secret: str) -> Identity:
    token = sessions.find_token(store, secret)
    if token is None:
        raise HTTPRefusal(401, "token")
    account, scopes = token
    return Identity(account=account.id, roles=frozenset(account.roles), access=access_of(account), scopes=scopes)


def _person(store: Store, secret: str) -> Identity | None:
    session = sessions.find_session(store, secret)
    if session is None:
        return None
    sessions.note_use(store, session)
    return Identity(account=session.account.id, roles=frozenset(session.account.roles),
                    access=access_of(session.account), name=session.name, preferences=session.preferences,
                    session=session.hash, csrf=token_of(secret))


#: Lifetime of the device cookie.
DEVICE_LIFE = timedelta(days=180)


def device_cookie(request: Request) -> str:
    """As that of the session."""
    return "__Host-device" if request.url.scheme == "https" else "device"


def known_device(request: Request, account: str, password_hash: str | None) -> str:
    """Return the id of the requesting device if it has signed in to the account, else an empty text."""
    name, _, proof = request.cookies.get(device_cookie(request), "").partition(".")
    if not (name and proof and password_hash):
        return ""
    return name if hmac.compare_digest(proof.encode(), _device_proof(name, account, password_hash).encode()) else ""


def remember_device(request: Request, answer: Response, account: str, password_hash: str) -> None:
    """Set the device cookie."""
    name = secrets.token_hex(16)
    answer.set_cookie(device_cookie(request), f"{name}.{_device_proof(name, account, password_hash)}", path="/",
                      max_age=int(DEVICE_LIFE.total_seconds()), secure=request.url.scheme == "https", httponly=True,
                      samesite="lax")


def _device_proof(name: str, account: str, password_hash: str) -> str:
    return hmac.new(password_hash.encode(), f"device\n{account}\n{name}".encode(), hashlib.sha256).hexdigest()


#: A pause this long ends a visit. Without an earlier visit, news are those of the last days.
_PAUSE, _FIRST = timedelta(minutes=30), timedelta(days=7)
_VISIT_LIFE = timedelta(days=90)
_VISIT = "visit"


def last_visit(request: Request, now: datetime) -> datetime:
    """Return the end of the visit before this one."""
    before, seen = _visit_times(request, now)
    return seen if now - seen > _PAUSE else before


def note_visit(request: Request, answer: Response, now: datetime) -> None:
    """Store that the visit goes on."""
    answer.set_cookie(_VISIT, f"{last_visit(request, now).isoformat()}|{now.isoformat()}", path="/",
                      max_age=int(_VISIT_LIFE.total_seconds()), secure=request.url.scheme == "https", httponly=True,
                      samesite="lax")


def _visit_times(request: Request, now: datetime) -> tuple[datetime, datetime]:
    """Return the end of the earlier visit and the last moment of this one; invalid ones count as none."""
    try:
        before, seen = (datetime.fromisoformat(t) for t in request.cookies.get(_VISIT, "").split("|"))
        return (before, seen) if before.tzinfo and seen.tzinfo and before <= seen <= now else (now - _FIRST, now)
    except ValueError:
        return now - _FIRST, now
