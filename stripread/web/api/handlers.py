"""Routes of the JSON API, and the handlers of single readings; they call the same functions as the pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache, wraps
from typing import Final

import msgspec
from starlette.responses import Response

from shared.errors import InputError
from stripread.intake.receive import SampleInfo
from stripread.reading.photo_file import PhotoFile
from stripread.store.models.evidence import StoredReading
from stripread.store.reading_status import current_assessment
from stripread.web.api import lists
from stripread.web.api.description import describe
from stripread.web.api.operations import OPERATIONS
from stripread.web.api.responses import preview_of, result_of, stored_result
from stripread.web.capture import PhotoIntake, moment_from
from stripread.web.error_handlers import json
from stripread.web.pages import take
from stripread.web.refusals import ANALYSTS, CAN_TAKE_READINGS, MANAGERS
from stripread.web.request import Endpoint, RequestContext, get, post


def preview(request: RequestContext) -> Response:
    """Return a provisional result from a preview image; nothing is stored."""
    return json(preview_of(PhotoIntake(request.app, request.account).ahead(
        request.body, request.query("batch"), request.query("tube") or None)))


def take_reading(request: RequestContext) -> Response:
    """Store and evaluate a photograph. Idempotent: a repeated upload gives the same reading, with 200 for 201."""
    taken = PhotoIntake(request.app, request.account).take(
        PhotoFile(request.query("name")[-200:] or "photograph", request.body),
        SampleInfo(point=request.query("point") or None, batch=request.query("batch") or None,
                   tube=request.query("tube") or None, dipped=moment_from(request.query("dipped"), "dipped")))
    return json(result_of(taken), 201 if taken.new else 200)


def reading(request: RequestContext) -> Response:
    """Return the summary of a reading."""
    stored = request.one(StoredReading, request.path("reading"))
    return json(stored_result(stored, current_assessment(request.store, stored.id)))


def whole(request: RequestContext) -> Response:
    """Return the full record of a reading."""
    return json(request.one(StoredReading, request.path("reading")))


@cache
def openapi() -> bytes:
    """Return the OpenAPI description as JSON."""
    return msgspec.json.encode(describe(API))


def _description(_request: RequestContext) -> Response:
    return Response(openapi(), media_type="application/json")


def _strict(endpoint: Endpoint) -> Endpoint:
    """Return the endpoint with a handler that rejects parameters which the description does not have."""
    allowed = OPERATIONS[endpoint.method, endpoint.path].parameters

    @wraps(endpoint.handler)
    def handler(request: RequestContext) -> Response:
        _check_parameters([name for name, _ in request.http.query_params.multi_items()], allowed)
        return endpoint.handler(request)

    return replace(endpoint, handler=handler)


def _check_parameters(given: Sequence[str], allowed: Sequence[str]) -> None:
    for name in given:
        if name not in allowed:
            raise InputError("is not a parameter of this request", where=name[:80],
                             allowed=", ".join(allowed) or "no parameters")
        if given.count(name) > 1:
            raise InputError("is stated more than once", where=name, allowed="one value")


API: Final[tuple[Endpoint, ...]] = tuple(_strict(endpoint) for endpoint in (
    get("/api/openapi.json", _description, public=True),
    get("/api/points", lists.points, scope="readings:read"),
    get("/api/readings", lists.list_readings, scope="readings:read"),
    get("/api/sites", lists.sites, scope="sites:read"),
    get("/api/due", lists.due, scope="sites:read"),
    get("/api/decisions", lists.decisions, MANAGERS, scope="sites:read"),
    get("/api/batches", lists.batches, ANALYSTS, scope="batches:read"),
    post("/api/readings", take_reading, CAN_TAKE_READINGS, scope="readings:take", largest=take.ORIGINAL_BYTES,
         seconds=take.ORIGINAL_S),
    post("/api/previews", preview, CAN_TAKE_READINGS, scope="readings:take", largest=take.PREVIEW_BYTES, seconds=60.0),
    get("/api/readings/{reading}", reading, scope="readings:read"),
    get("/api/readings/{reading}/record", whole, scope="readings:read"),
))
