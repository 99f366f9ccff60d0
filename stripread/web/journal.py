"""Server log: a JSON line for each response and each error, on standard error.

People appear under their accounts' pseudonymous ids; what they sent does not appear.
"""

from __future__ import annotations

import logging
import sys
import traceback
from datetime import UTC, datetime
from time import perf_counter
from typing import Final

import msgspec
from starlette.requests import Request
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
