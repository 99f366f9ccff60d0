"""Handlers and routes of the JSON API; the handlers call the same functions as the pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from functools import cache, wraps
from typing import Final, Literal

import msgspec
from starlette.responses import Response

from assess.decision import VERDICTS
from shared.decoders import converted
from shared.errors import InputError
from shared.flags import FLAGS
from stripread.intake.receive import SampleInfo
from stripread.reading.photo_file import PhotoFile
from stripread.store import lookup
from stripread.store.models.evidence import StoredReading
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.reading_status import current_assessment
from stripread.web.api.description import OPERATIONS, Point, describe, preview_of, result_of, stored_result
from stripread.web.capture import PhotoIntake, moment_from
from stripread.web.error_handlers import json
from stripread.web.pages import take
from stripread.web.refusals import CAN_TAKE_READINGS
from stripread.web.request import Endpoint, RequestContext, get, one_of, post

_MOST: Final = 200
_STATUSES: Final[tuple[Literal["measured", "no-result"], ...]] = ("measured", "no-result")


def points(request: RequestContext) -> Response:
    """Return the sampling points whose name or id contains the text."""
    found = lookup.search_points(request.store, request.query("search"), request.access)
    return json([converted(spot, Point, from_attributes=True) for spot in found])


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


def list_readings(request: RequestContext) -> Response:
    """Return current readings, newest sample first, filtered by the parameters."""
    wanted = ReadingFilter(
        access=request.access,
        site=request.query("site") or None, point=request.query("point") or None, batch=request.query("batch") or None,
        since=_moment(request, "since"), until=_moment(request, "until"),
        flag=one_of(tuple(FLAGS), request.query("flag"), "flag") if request.query("flag") else None,
        status=one_of(_STATUSES, request.query("status"), "status") if request.query("status") else None,
        verdict=one_of(VERDICTS, request.query("verdict"), "verdict") if request.query("verdict") else None)
    return json(readings(request.store, wanted, _limit(request), request.query("before") or None))


def reading(request: RequestContext) -> Response:
    """Return the summary of a reading."""
    stored = request.one(StoredReading, request.path("reading"))
    return json(stored_result(stored, current_assessment(request.store, stored.id)))


def whole(request: RequestContext) -> Response:
    """Return the full record of a reading."""
    return json(request.one(StoredReading, request.path("reading")))


def _moment(request: RequestContext, name: str) -> datetime | None:
    return moment_from(request.query(name), name)


def _limit(request: RequestContext) -> int:
    text = request.query("limit") or "50"
    if not (text.isascii() and text.isdigit() and 1 <= int(text[:9]) <= _MOST):
        raise InputError("is not a valid number of readings", where="limit", found=repr(text[:20]),
                         allowed=f"1 to {_MOST}")
    return int(text)


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
    get("/api/points", points, scope="readings:read"),
    get("/api/readings", list_readings, scope="readings:read"),
    post("/api/readings", take_reading, CAN_TAKE_READINGS, scope="readings:take", largest=take.ORIGINAL_BYTES,
         seconds=take.ORIGINAL_S),
    post("/api/previews", preview, CAN_TAKE_READINGS, scope="readings:take", largest=take.PREVIEW_BYTES, seconds=60.0),
    get("/api/readings/{reading}", reading, scope="readings:read"),
    get("/api/readings/{reading}/record", whole, scope="readings:read"),
))
