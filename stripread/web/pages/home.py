"""Where one begins: where one was last, what was read last, what is due."""

from __future__ import annotations

from typing import Final

from starlette.responses import Response

from stripread.store.reading_query import Wanted, readings
from stripread.web import point_search
from stripread.web.rendering import page
from stripread.web.request import Ask

_LATEST: Final = 8


def show(ask: Ask) -> Response:
    """Home."""
    store = ask.house.store
    return page(ask, "home.html", spots=point_search.last_spots(store, ask.who.account),
                latest=readings(store, Wanted(), _LATEST))
