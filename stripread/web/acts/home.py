"""Where one begins: where one was last, what was read last, what is due."""

from __future__ import annotations

from typing import Final

from starlette.responses import Response

from stripread.store.reading_query import Wanted, readings
from stripread.web import places
from stripread.web.ask import Ask
from stripread.web.pages import page

_LATEST: Final = 8


def show(ask: Ask) -> Response:
    """Home."""
    store = ask.house.store
    return page(ask, "home.html", spots=places.last_spots(store, ask.who.account),
                latest=readings(store, Wanted(), _LATEST))
