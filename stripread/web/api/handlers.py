"""Handlers and routes of the JSON API; the handlers call the same functions as the pages."""

from __future__ import annotations

from datetime import datetime
from functools import cache
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
from stripread.web.api.description import describe
from stripread.web.api.shapes import Point, kept, preview_of, result_of
from stripread.web.capture import PhotoIntake, moment_from
from stripread.web.error_handlers import json
from stripread.web.pages import take
from stripread.web.refusals import CAN_TAKE_READINGS
from stripread.web.request import RequestContext, one_of
from stripread.web.routes import Endpoint

_MOST: Final = 200
_STATUSES: Final[tuple[Literal["measured", "no-result"], ...]] = ("measured", "no-result")


def points(ask: RequestContext) -> Response:
    """Return the sampling points whose name or id contains the text."""
    found = lookup.search_points(ask.house.store, ask.query("search"), ask.access)
    return json([converted(spot, Point, from_attributes=True) for spot in found])


def preview(ask: RequestContext) -> Response:
    """Return a provisional result from a preview image; nothing is stored."""
    return json(preview_of(PhotoIntake(ask.house, ask.who.account).ahead(ask.body, ask.query("batch"))))


def take_reading(ask: RequestContext) -> Response:
    """Store and evaluate a photograph. Idempotent: a repeated upload gives the same reading, with 200 for 201."""
    taken = PhotoIntake(ask.house, ask.who.account).take(
        PhotoFile(ask.query("name")[-200:] or "photograph", ask.body),
        SampleInfo(point=ask.query("point") or None, batch=ask.query("batch") or None, tube=ask.query("tube") or None,
             dipped=moment_from(ask.query("dipped"), "dipped")))
    return json(result_of(taken), 201 if taken.new else 200)


def list_readings(ask: RequestContext) -> Response:
    """Return current readings, newest sample first, filtered by the parameters."""
    wanted = ReadingFilter(
        access=ask.access,
        site=ask.query("site") or None, point=ask.query("point") or None, batch=ask.query("batch") or None,
        since=_moment(ask, "since"), until=_moment(ask, "until"),
        flag=one_of(tuple(FLAGS), ask.query("flag"), "flag") if ask.query("flag") else None,
        status=one_of(_STATUSES, ask.query("status"), "status") if ask.query("status") else None,
        verdict=one_of(VERDICTS, ask.query("verdict"), "verdict") if ask.query("verdict") else None)
    return json(readings(ask.house.store, wanted, _limit(ask), ask.query("before") or None))


def reading(ask: RequestContext) -> Response:
    """Return the summary of a reading."""
    stored = ask.one(StoredReading, ask.path("reading"))
    return json(kept(stored, current_assessment(ask.house.store, stored.id)))


def whole(ask: RequestContext) -> Response:
    """Return the full record of a reading."""
    return json(ask.one(StoredReading, ask.path("reading")))


def _moment(ask: RequestContext, name: str) -> datetime | None:
    return moment_from(ask.query(name), name)


def _limit(ask: RequestContext) -> int:
    text = ask.query("limit") or "50"
    if not (text.isascii() and text.isdigit() and 1 <= int(text[:9]) <= _MOST):
        raise InputError("is not a number of readings", where="limit", found=repr(text[:20]), allowed=f"1 to {_MOST}")
    return int(text)


@cache
def openapi() -> bytes:
    """Return the OpenAPI description as JSON."""
    return msgspec.json.encode(describe(API))


def _description(_ask: RequestContext) -> Response:
    return Response(openapi(), media_type="application/json")


API: Final[tuple[Endpoint, ...]] = (
    Endpoint(method="GET", path="/api/openapi.json", act=_description, unknown=True),
    Endpoint(method="GET", path="/api/points", act=points, scope="readings:read"),
    Endpoint(method="GET", path="/api/readings", act=list_readings, scope="readings:read"),
    Endpoint(method="POST", path="/api/readings", act=take_reading, roles=CAN_TAKE_READINGS, scope="readings:take",
             largest=take.ORIGINAL_BYTES, seconds=take.ORIGINAL_S),
    Endpoint(method="POST", path="/api/previews", act=preview, roles=CAN_TAKE_READINGS, scope="readings:take",
             largest=take.PREVIEW_BYTES, seconds=60.0),
    Endpoint(method="GET", path="/api/readings/{reading}", act=reading, scope="readings:read"),
    Endpoint(method="GET", path="/api/readings/{reading}/record", act=whole, scope="readings:read"),
)
