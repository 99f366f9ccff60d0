"""The application: every way in, with its act and the roles that may take it."""

from __future__ import annotations

from typing import Final

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.routing import Route

from stripread.web.api import handlers as api
from stripread.web.dispatch import endpoint
from stripread.web.error_handlers import handlers
from stripread.web.headers import Framing, Headers, OnlySecure
from stripread.web.journal import Journal
from stripread.web.pages import (
    account,
    accounts,
    combined,
    due,
    first_run,
    health,
    home,
    labels,
    readings,
    reports,
    sign_in,
    static,
    take,
)
from stripread.web.roles import KEEPERS, REVIEWERS, SAVERS, TAKERS
from stripread.web.routes import Way
from stripread.web.state import House

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
    Way(method="GET", path="/together", act=combined.show),
    Way(method="GET", path="/readings/{reading}", act=readings.show),
    Way(method="GET", path="/labels", act=labels.show),
    Way(method="GET", path="/due", act=due.show),
    Way(method="POST", path="/readings/{reading}/report", act=reports.issue, roles=REVIEWERS),
    Way(method="POST", path="/readings/{reading}/move", act=readings.move),
    Way(method="GET", path="/readings/{reading}/picture", act=readings.picture),
    Way(method="GET", path="/readings/{reading}/pads/{analyte}", act=readings.pad),
    Way(method="GET", path="/readings/{reading}/original", act=readings.original, roles=SAVERS),
    Way(method="GET", path="/me", act=account.show),
    Way(method="POST", path="/me/preferences", act=account.set_preferences),
    Way(method="POST", path="/me/password", act=account.set_password),
    Way(method="POST", path="/me/sessions", act=account.close_session),
    Way(method="POST", path="/me/tokens", act=account.make_token),
    Way(method="POST", path="/me/tokens/end", act=account.end_token),
    Way(method="GET", path="/people", act=accounts.show, roles=KEEPERS),
    Way(method="POST", path="/people", act=accounts.add, roles=KEEPERS),
    Way(method="POST", path="/people/{account}", act=accounts.change, roles=KEEPERS),
    Way(method="POST", path="/people/{account}/sign-in", act=accounts.add_sign_in, roles=KEEPERS),
    Way(method="POST", path="/people/{account}/password", act=accounts.set_password, roles=KEEPERS),
    Way(method="POST", path="/people/{account}/end-sessions", act=accounts.end_sessions, roles=KEEPERS),
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
