"""Routes of the JSON API, and their description for generators and for the page about integration."""

from __future__ import annotations

from functools import cache
from typing import Final

import msgspec
from starlette.responses import Response

from stripread.web.api import handlers
from stripread.web.api.description import describe
from stripread.web.pages import take
from stripread.web.refusals import CAN_TAKE_READINGS
from stripread.web.request import RequestContext
from stripread.web.routes import Endpoint


@cache
def openapi() -> bytes:
    """Return the OpenAPI description as JSON."""
    return msgspec.json.encode(describe(API))


def _description(_ask: RequestContext) -> Response:
    return Response(openapi(), media_type="application/json")


API: Final[tuple[Endpoint, ...]] = (
    Endpoint(method="GET", path="/api/openapi.json", act=_description, unknown=True),
    Endpoint(method="GET", path="/api/points", act=handlers.points, scope="readings:read"),
    Endpoint(method="GET", path="/api/readings", act=handlers.list_readings, scope="readings:read"),
    Endpoint(method="POST", path="/api/readings", act=handlers.take, roles=CAN_TAKE_READINGS, scope="readings:take",
             largest=take.ORIGINAL_BYTES, seconds=take.ORIGINAL_S),
    Endpoint(method="POST", path="/api/previews", act=handlers.preview, roles=CAN_TAKE_READINGS, scope="readings:take",
             largest=take.PREVIEW_BYTES, seconds=60.0),
    Endpoint(method="GET", path="/api/readings/{reading}", act=handlers.reading, scope="readings:read"),
    Endpoint(method="GET", path="/api/readings/{reading}/record", act=handlers.whole, scope="readings:read"),
)
