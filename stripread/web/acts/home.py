"""Where one begins."""

from __future__ import annotations

from starlette.responses import Response

from stripread.web.ask import Ask
from stripread.web.pages import page


def show(ask: Ask) -> Response:
    """Home."""
    return page(ask, "home.html")
