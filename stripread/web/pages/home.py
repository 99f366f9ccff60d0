"""Today, by role: what is due and what is new; static files, health and metrics."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import msgspec
from starlette.responses import Response

from assess.draws import Interval
from shared.notation import Notation
from stripread.monitoring.schedule.due import due_items
from stripread.monitoring.schedule.intervals import DueItem, Kind, load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import SiteStatus, StatusOverview, overview
from stripread.report.figures.window import LimitBounds, Tone, WindowBar, plain_bar, tone
from stripread.review.queue import QueueEntry, QueueFilter, count_queue, queue
from stripread.store.reading_query import ReadingFilter, readings
from stripread.web.authentication import last_visit, note_visit
from stripread.web.error_handlers import json
from stripread.web.reading_view import glyphs
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import page
from stripread.web.request import RequestContext
from stripread.web.sites_view import deviation_text
from stripread.web.static_files import TYPES, asset, contents, worker_script
from stripread.web.system_view import SystemMeasure, measures

#: Entries of each list.
_MOST: Final = 6
#: Weeks that the analyst's part looks ahead; days of a unit's life that a bar shows, and from which a change is due.
_WEEKS, _DAYS_SHOWN, _DAYS_DUE = 8, 60.0, 14.0
_MATERIALS: Final[frozenset[Kind]] = frozenset({"batch", "tube", "check standard", "phone", "card"})


@dataclass(frozen=True, slots=True)
class OutOfLimits:
    """A site that is out of limits: by how much, since when."""

    id: str
    name: str
    tone: Tone
    deviation: str
    since: date


@dataclass(frozen=True, slots=True)
class NearExhaustion:
    """A unit with its remaining days."""

    site: str
    name: str
    what: str
    days: int
    bar: WindowBar


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleParts:
    """Parts of the page; None: not of this account's roles."""

    out: tuple[OutOfLimits, ...] | None = None
    n_out: int = 0
    units: tuple[NearExhaustion, ...] = ()
    waiting: tuple[QueueEntry, ...] | None = None
    n_waiting: int = 0
    materials: tuple[DueItem, ...] | None = None
    system: tuple[SystemMeasure, ...] | None = None


def role_parts(request: RequestContext, seen: StatusOverview, due: Sequence[DueItem]) -> RoleParts:
    """Return the parts of the roles of an account, from the status of its sites and all that is due."""
    roles, store = request.user.roles, request.store
    manages = "manager" in roles
    out = [s for s in seen.sites if s.verdict == "out-of-limits"] if manages else []
    reviewed = QueueFilter(access=request.access) if "reviewer" in roles else None
    return RoleParts(
        out=tuple(_out(s, request.notation) for s in out[:_MOST] if s.water) if manages else None, n_out=len(out),
        units=_units(seen.sites, seen.today) if manages else (),
        waiting=None if reviewed is None else tuple(queue(store, reviewed, _MOST)),
        n_waiting=0 if reviewed is None else count_queue(store, reviewed),
        materials=_materials(due, seen.today) if "analyst" in roles else None,
        system=tuple(m for m in measures(request.app) if m.tone != "ok") if "administrator" in roles else None)


def _out(s: SiteStatus, notation: Notation) -> OutOfLimits:
    water = s.water
    assert water is not None  # noqa: S101 - a verdict comes from a water
    deviation = deviation_text(water.deviations, notation) if water.deviations else ""
    return OutOfLimits(s.site, s.name, tone(s.verdict), deviation, water.since)


def _units(sites: Sequence[SiteStatus], today: date) -> tuple[NearExhaustion, ...]:
    due = sorted(((item.on, s, item) for s in sites for item in s.due if item.kind == "treatment"),
                 key=lambda found: found[0])
    return tuple(NearExhaustion(s.site, s.name, item.what, (on - today).days, _bar((on - today).days))
                 for on, s, item in due[:3])


def _bar(days: int) -> WindowBar:
    shown: Tone = "out" if days < 0 else "un" if days < _DAYS_DUE else "ok"
    at = float(max(0, days))
    return plain_bar(Interval(value=at, low=at, high=at), LimitBounds(at_least=_DAYS_DUE), _DAYS_SHOWN, shown)


def _materials(due: Sequence[DueItem], today: date) -> tuple[DueItem, ...]:
    until = today + timedelta(weeks=_WEEKS)
    return tuple(i for i in due if i.kind in _MATERIALS and i.on <= until)


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
    """Return the health status: whether the server can write to its store."""
    request.store.check_writable()
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
