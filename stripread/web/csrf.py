"""Protection against cross-site request forgery: request origin, and a token of the session."""

from __future__ import annotations

import hashlib
import hmac
import secrets

from starlette.requests import Request

from stripread.web.refusals import HTTPRefusal

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
