"""Home page with recent sampling points and readings; static files, health and metrics."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

import msgspec
from starlette.responses import Response

from stripread.monitoring.schedule.due import due_items
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import overview
from stripread.store.reading_query import ReadingFilter, readings
from stripread.web.authentication import last_visit, note_visit
from stripread.web.error_handlers import json
from stripread.web.reading_view import glyphs
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import page
from stripread.web.request import RequestContext
from stripread.web.static_files import TYPES, asset, contents, worker_script
from stripread.web.today_view import role_parts


def static(request: RequestContext) -> Response:
    """Return a static file; it can be cached without expiry, because its address changes with its content."""
    name = request.path("name")
    content = contents().get(name)
    if content is None:
        raise HTTPRefusal(404, "not-found")
    return Response(content, media_type=TYPES["." + name.rpartition(".")[2]],
                    headers={"cache-control": "public, max-age=31536000, immutable"})


def service_worker(_request: RequestContext) -> Response:
    """Return the service worker, which knows the addresses of all static files; browsers check it for changes."""
    return Response(worker_script(), media_type=TYPES[".js"], headers={"cache-control": "no-cache"})


def manifest(request: RequestContext) -> Response:
    """Return the manifest, with which phones install the pages as an application."""
    icons = [{"src": asset("icon.svg"), "sizes": "any", "type": "image/svg+xml", "purpose": "any"}]
    return Response(msgspec.json.encode({
        "name": request.app.messages("site.name"), "short_name": request.app.messages("site.name"), "start_url": "/",
        "scope": "/", "display": "standalone", "background_color": "#f5f6f6", "theme_color": "#f5f6f6",
        "icons": icons}), media_type="application/manifest+json", headers={"cache-control": "no-cache"})


def health(request: RequestContext) -> Response:
    """Return the health status: whether the database responds."""
    request.store.check_connection()
    return json({"status": "ok"})


def metrics(request: RequestContext) -> Response:
    """Return the metrics in the text format of Prometheus."""
    return Response(request.app.metrics.text(), media_type="text/plain; version=0.0.4; charset=utf-8")


#: Days that the list of due items looks ahead, and the longest lists.
_AHEAD: Final = timedelta(days=7)
_MOST_DUE: Final = 8
_LATEST: Final = 8


def show(request: RequestContext) -> Response:
    """Return what is due at the sites of the account, and the results since its last visit."""
    store, now, scope = request.store, request.store.clock(), Scope(access=request.access)
    since, intervals = last_visit(request.http, now), load_intervals()
    latest = readings(store, ReadingFilter(access=request.access, since=since), _LATEST)
    seen = overview(store, intervals, scope=scope)
    due = due_items(store, intervals, seen, scope)
    # What is to be done at a site first; materials belong to no site.
    items = sorted((i for i in due if i.on <= seen.today + _AHEAD), key=lambda i: not i.site)
    answer = page(request, "today.html", due=items[:_MOST_DUE], n_due=len(items), today=seen.today, now=now,
                  latest=latest, since=since, parts=role_parts(request, seen, due),
                  colours=glyphs(store, [r.id for r in latest]))
    note_visit(request.http, answer, now)
    return answer
