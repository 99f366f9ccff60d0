"""Is it well, and how busy: for those who run it."""

from __future__ import annotations

from sqlalchemy import text
from starlette.responses import Response

from stripread.web.error_handlers import json
from stripread.web.request import RequestContext


def health(ask: RequestContext) -> Response:
    """Well when the database answers. Says nothing else to those who have not signed in."""
    with ask.house.store.viewing() as connection:
        connection.execute(text("SELECT 1"))
    return json({"status": "ok"})


def metrics(ask: RequestContext) -> Response:
    """Counts and times in the text format of Prometheus."""
    return Response(ask.house.metrics.text(), media_type="text/plain; version=0.0.4; charset=utf-8")
