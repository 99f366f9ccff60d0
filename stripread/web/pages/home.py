"""Home page with recent sampling points and readings; static files, health and metrics."""

from __future__ import annotations

from typing import Final

from starlette.responses import Response

from stripread.store import point_search
from stripread.store.reading_query import ReadingFilter, readings
from stripread.web.error_handlers import json
from stripread.web.glyphs import glyphs
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import TYPES, contents, page
from stripread.web.request import RequestContext


def static(ask: RequestContext) -> Response:
    """Return a static file; it can be cached without expiry, because its address changes with its content."""
    name = ask.path("name")
    content = contents().get(name)
    if content is None:
        raise HTTPRefusal(404, "not-found")
    return Response(content, media_type=TYPES["." + name.rpartition(".")[2]],
                    headers={"cache-control": "public, max-age=31536000, immutable"})


def health(ask: RequestContext) -> Response:
    """Return the health status: whether the database responds."""
    ask.house.store.check_connection()
    return json({"status": "ok"})


def metrics(ask: RequestContext) -> Response:
    """Return the metrics in the text format of Prometheus."""
    return Response(ask.house.metrics.text(), media_type="text/plain; version=0.0.4; charset=utf-8")


_LATEST: Final = 8


def show(ask: RequestContext) -> Response:
    """Return the home page."""
    store = ask.house.store
    latest = readings(store, ReadingFilter(access=ask.access), _LATEST)
    return page(ask, "home.html", spots=point_search.recent_points(store, ask.who.account, ask.access), latest=latest,
                colours=glyphs(store, [r.id for r in latest]))
