"""The application: every way in, with its act and the roles that may take it."""

from __future__ import annotations

from typing import Final

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.routing import Route

from stripread.web.acts import (
    due,
    first_run,
    health,
    home,
    labels,
    mine,
    people,
    readings,
    reports,
    sign_in,
    static,
    take,
    together,
)
from stripread.web.answers import handlers
from stripread.web.api import acts as api
from stripread.web.door import endpoint
from stripread.web.headers import Framing, Headers, OnlySecure
from stripread.web.house import House
from stripread.web.journal import Journal
from stripread.web.roles import KEEPERS, REVIEWERS, SAVERS, TAKERS
from stripread.web.ways import Way

WAYS: Final = (
    Way(method="GET", path="/health", act=health.health, unknown=True),
    Way(method="GET", path="/metrics", act=health.metrics, roles=KEEPERS, scope="metrics"),
    Way(method="GET", path="/static/{version}/{name}", act=static.static, unknown=True),
    Way(method="GET", path="/first", act=first_run.show, unknown=True),
    Way(method="POST", path="/first", act=first_run.take, unknown=True),
    Way(method="GET", path="/sign-in", act=sign_in.show, unknown=True),
    Way(method="POST", path="/sign-in", act=sign_in.take, unknown=True),
    Way(method="POST", path="/sign-out", act=sign_in.leave),
    Way(method="GET", path="/", act=home.show),
    Way(method="GET", path="/take", act=take.show, roles=TAKERS),
    Way(method="POST", path="/take/preview", act=take.preview, roles=TAKERS, largest=take.PREVIEW_BYTES, seconds=60.0),
    Way(method="POST", path="/take/original", act=take.original, roles=TAKERS, largest=take.ORIGINAL_BYTES,
        seconds=take.ORIGINAL_S),
    Way(method="GET", path="/p", act=take.point_label, roles=TAKERS),
    Way(method="GET", path="/t", act=take.tube_label, roles=TAKERS),
    Way(method="GET", path="/together", act=together.show),
    Way(method="GET", path="/readings/{reading}", act=readings.show),
    Way(method="GET", path="/labels", act=labels.show),
    Way(method="GET", path="/due", act=due.show),
    Way(method="POST", path="/readings/{reading}/report", act=reports.issue, roles=REVIEWERS),
    Way(method="POST", path="/readings/{reading}/move", act=readings.move),
    Way(method="GET", path="/readings/{reading}/picture", act=readings.picture),
    Way(method="GET", path="/readings/{reading}/pads/{analyte}", act=readings.pad),
    Way(method="GET", path="/readings/{reading}/original", act=readings.original, roles=SAVERS),
    Way(method="GET", path="/me", act=mine.show),
    Way(method="POST", path="/me/preferences", act=mine.set_preferences),
    Way(method="POST", path="/me/password", act=mine.set_password),
    Way(method="POST", path="/me/sessions", act=mine.close_session),
    Way(method="POST", path="/me/tokens", act=mine.make_token),
    Way(method="POST", path="/me/tokens/end", act=mine.end_token),
    Way(method="GET", path="/people", act=people.show, roles=KEEPERS),
    Way(method="POST", path="/people", act=people.add, roles=KEEPERS),
    Way(method="POST", path="/people/{account}", act=people.change, roles=KEEPERS),
    Way(method="POST", path="/people/{account}/sign-in", act=people.add_sign_in, roles=KEEPERS),
    Way(method="POST", path="/people/{account}/password", act=people.set_password, roles=KEEPERS),
    Way(method="POST", path="/people/{account}/end-sessions", act=people.end_sessions, roles=KEEPERS),
    Way(method="GET", path="/api/openapi.json", act=api.description, unknown=True),
    Way(method="GET", path="/api/points", act=api.points, scope="readings:read"),
    Way(method="GET", path="/api/readings", act=api.list_readings, scope="readings:read"),
    Way(method="POST", path="/api/readings", act=api.take, roles=TAKERS, scope="readings:take",
        largest=take.ORIGINAL_BYTES, seconds=take.ORIGINAL_S),
    Way(method="POST", path="/api/previews", act=api.preview, roles=TAKERS, scope="readings:take",
        largest=take.PREVIEW_BYTES, seconds=60.0),
    Way(method="GET", path="/api/readings/{reading}", act=api.reading, scope="readings:read"),
    Way(method="GET", path="/api/readings/{reading}/record", act=api.whole, scope="readings:read"),
)


def make_app(house: House) -> Starlette:
    """The application of one house."""
    routes = [Route(way.path, endpoint(way, house), methods=[way.method], max_body_size=way.largest) for way in WAYS]
    middleware = [Middleware(Journal, house=house), Middleware(Headers), Middleware(Framing)]
    if house.serving.only_secure:
        middleware.append(Middleware(OnlySecure))
    if house.serving.hosts:
        middleware.append(Middleware(TrustedHostMiddleware, allowed_hosts=list(house.serving.hosts)))
    middleware.append(Middleware(GZipMiddleware, minimum_size=500, compresslevel=6))
    return Starlette(routes=routes, middleware=middleware, exception_handlers=handlers(house))
