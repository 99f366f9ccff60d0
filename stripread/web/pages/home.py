"""Where one begins: where one was last, what was read last, what is due."""

from __future__ import annotations

from typing import Final

from starlette.responses import Response

from stripread.store.reading_query import ReadingFilter, readings
from stripread.web import point_search
from stripread.web.rendering import page
from stripread.web.request import RequestContext

_LATEST: Final = 8


def show(ask: RequestContext) -> Response:
    """Home."""
    store = ask.house.store
    return page(ask, "home.html", spots=point_search.recent_points(store, ask.who.account),
                latest=readings(store, ReadingFilter(), _LATEST))
