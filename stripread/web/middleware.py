"""ASGI middleware: log of requests and errors as JSON lines on standard error, security headers, framing, TLS.

People appear under their accounts' pseudonymous ids; what they sent does not appear.
"""

from __future__ import annotations

import logging
import sys
import traceback
from collections.abc import MutableMapping
from datetime import UTC, datetime
from time import perf_counter
from typing import Final

import msgspec
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from stripread.web.state import AppState

LOG: Final = logging.getLogger("stripread.web")


class JsonLines(logging.Formatter):
    """Log record as one JSON object: time, level, message, and ``extra={"facts": {...}}``."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        entry = {"time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
                "level": record.levelname.lower(), "event": record.getMessage(), **getattr(record, "facts", {})}
        if record.exc_info and record.exc_info[1]:
            entry["traceback"] = "".join(traceback.format_exception(record.exc_info[1]))
        return msgspec.json.encode(entry).decode()


def start(level: int = logging.INFO) -> None:
    """Configure logging, including the web server's messages but not its access log."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    for name in ("stripread.web", "uvicorn", "uvicorn.error"):
        logger = logging.getLogger(name)
        logger.handlers, logger.propagate = [], name == "uvicorn.error"
        logger.setLevel(level)
        if name != "uvicorn.error":
            logger.addHandler(handler)


def note(event: str, **facts: object) -> None:
    """Log an event, such as a sign-in attempt."""
    LOG.info(event, extra={"facts": facts})


def failed(event: str, error: Exception) -> None:
    """Log an internal error outside a request."""
    LOG.error(event, exc_info=error)


def fault(request: Request, error: Exception) -> None:
    """Log an internal error."""
    LOG.error("fault", exc_info=error, extra={"facts": {"route": _route(request.scope), "method": request.method}})


class Journal:
    """ASGI middleware that counts, times and logs each response."""

    def __init__(self, app: ASGIApp, state: AppState) -> None:
        self.app = app
        self.state = state

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Record the start of the response."""
        begun = perf_counter()

        async def noting(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._note(scope, int(message["status"]), perf_counter() - begun)
            await send(message)

        await self.app(scope, receive, noting if scope["type"] == "http" else send)

    def _note(self, scope: Scope, status: int, seconds: float) -> None:
        route = _route(scope)
        self.state.metrics.answered(route, scope["method"], status, seconds)
        note("answered", route=route, method=scope["method"], status=status, seconds=round(seconds, 4),
             account=scope.get("state", {}).get("account", ""))


def _route(scope: Scope) -> str:
    """Return the pattern of the route, not the address, which can contain arbitrary text."""
    endpoint = scope.get("state", {}).get("endpoint")
    return endpoint.path if endpoint else "none"


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
