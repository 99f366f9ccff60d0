"""Security headers of all responses: no external resources, inline scripts, frames or type sniffing."""

from __future__ import annotations

from collections.abc import MutableMapping
from typing import Final

from starlette.datastructures import MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: blob: images are photographs on the phone, shown before they are sent.
CSP: Final = ("default-src 'none'; object-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
              "connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
_ALWAYS: Final = {
    "content-security-policy": CSP,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not no-referrer: browsers would then omit the origin when a form is sent.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), microphone=(), geolocation=(), payment=(), usb=()",
    "cache-control": "no-store",
}
_HSTS: Final = "max-age=31536000; includeSubDomains"


class Headers:
    """ASGI middleware that adds security headers; headers set by a handler take precedence."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Add the headers to each response."""
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                _add(message, secure=scope.get("scheme") == "https")
            await send(message)

        await self.app(scope, receive, with_headers if scope["type"] == "http" else send)


def _add(message: MutableMapping[str, object], *, secure: bool) -> None:
    headers = MutableHeaders(scope=message)
    for name, value in _ALWAYS.items():
        headers.setdefault(name, value)
    if secure:
        headers.setdefault("strict-transport-security", _HSTS)


class Framing:
    """ASGI middleware: a request with two statements of its length is refused, and the connection closed.

    Servers that believe one and proxies that believe the other see different requests (RFC 9112, 6.3 and 11.2).
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or reject it."""
        names = {name for name, _ in scope.get("headers", ())}
        if {b"content-length", b"transfer-encoding"} <= names:
            reason = "The request has both Content-Length and Transfer-Encoding."
            answer = PlainTextResponse(reason, 400, {"connection": "close"})
            await answer(scope, receive, send)
        else:
            await self.app(scope, receive, send)


class TlsRequirement:
    """ASGI middleware that rejects requests without TLS, here or at the trusted proxy."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or reject it."""
        if scope["type"] == "http" and scope.get("scheme") != "https":
            await PlainTextResponse("TLS (https) is required.", 403)(scope, receive, send)
        else:
            await self.app(scope, receive, send)
