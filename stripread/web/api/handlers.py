"""Handlers and routes of the JSON API; they call the same functions as the pages."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from functools import cache, wraps
from typing import Final, Literal, TypeVar

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
from stripread.store.reading_query import ReadingFilter, count_readings, readings
from stripread.store.reading_status import REVIEW_STATUS_NAMES, current_assessment
from stripread.web.api.description import describe
from stripread.web.api.operations import ITEMS, LAST_OFFSET, MOST_ITEMS, MOST_WEEKS, OPERATIONS
from stripread.web.api.responses import ListPage, Point, batch_row, decision_row, preview_of, result_of, stored_result
from stripread.web.capture import PhotoIntake, moment_from
from stripread.web.error_handlers import json
from stripread.web.listing import COUNTED, choice, list_address
from stripread.web.pages import take
from stripread.web.refusals import ANALYSTS, CAN_TAKE_READINGS, MANAGERS
from stripread.web.request import Endpoint, RequestContext, get, post
from stripread.web.selections import (
    WEEKS,
    all_due,
    all_sites,
    chosen_batches,
    chosen_decisions,
    chosen_due,
    chosen_sites,
)

S = TypeVar("S")
_STATUSES: Final[tuple[Literal["measured", "no-result"], ...]] = ("measured", "no-result")


def points(request: RequestContext) -> Response:
    """Return the sampling points whose name or id contains the text."""
    found = lookup.search_points(request.store, request.query("search"), request.access, most=None)
    return _page(request, found, lambda spot: converted(spot, Point, from_attributes=True))


def list_readings(request: RequestContext) -> Response:
    """Return current readings, newest sample first. A page begins after a reading, so that all take the same time."""
    wanted, most = _reading_filter(request), _limit(request)
    found = readings(request.store, wanted, most + 1, request.query("before") or None)
    total = count_readings(request.store, wanted, COUNTED + 1)
    return json(ListPage(
        items=tuple(found[:most]), total=total if total <= COUNTED else None,
        next=list_address(request).link(before=found[most - 1].id) if len(found) > most else None))


def sites(request: RequestContext) -> Response:
    """Return the status of sites, as the page and `stripread sites status --json` have it."""
    return _page(request, chosen_sites(request, all_sites(request)), lambda status: status)


def due(request: RequestContext) -> Response:
    """Return the due items, as the page and `stripread maintenance due --json` have them."""
    found = all_due(request, _number(request, "weeks", WEEKS, 1, MOST_WEEKS))
    return _page(request, chosen_due(request, found.items), lambda item: item)


def batches(request: RequestContext) -> Response:
    """Return strip batches with the state of their charts."""
    return _page(request, chosen_batches(request), batch_row)


def decisions(request: RequestContext) -> Response:
    """Return decisions on treatment."""
    chosen = chosen_decisions(request)
    return _page(request, chosen.decisions, lambda made: decision_row(made, chosen.names[made.site]))


def _reading_filter(request: RequestContext) -> ReadingFilter:
    return ReadingFilter(
        access=request.access, site=request.query("site") or None, point=request.query("point") or None,
        group=request.query("group") or None, batch=request.query("batch") or None,
        search=request.query("search").strip() or None, since=_moment(request, "since"),
        until=_moment(request, "until"), flag=choice(request, "flag", tuple(FLAGS)),
        status=choice(request, "status", _STATUSES), verdict=choice(request, "verdict", VERDICTS),
        reviewed=choice(request, "reviewed", tuple(REVIEW_STATUS_NAMES)))


def _moment(request: RequestContext, name: str) -> datetime | None:
    return moment_from(request.query(name), name)


def _page(request: RequestContext, found: Sequence[S], row: Callable[[S], object]) -> Response:
    """Return the page of a list that the request asks for, as rows."""
    first, most = _number(request, "offset", 0, 0, LAST_OFFSET), _limit(request)
    further = list_address(request).link(offset=first + most) if len(found) > first + most else None
    return json(ListPage(items=tuple(map(row, found[first:first + most])), total=len(found), next=further))


def _limit(request: RequestContext) -> int:
    return _number(request, "limit", ITEMS, 1, MOST_ITEMS)


def _number(request: RequestContext, name: str, usual: int, least: int, most: int) -> int:
    text = request.query(name) or str(usual)
    if not (text.isascii() and text.isdigit() and least <= int(text[:9]) <= most):
        raise InputError("is not a valid number", where=name, found=repr(text[:20]),
                         allowed=f"{least} to {most}")
    return int(text)


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
    get("/api/points", points, scope="readings:read"),
    get("/api/readings", list_readings, scope="readings:read"),
    get("/api/sites", sites, scope="sites:read"),
    get("/api/due", due, scope="sites:read"),
    get("/api/decisions", decisions, MANAGERS, scope="sites:read"),
    get("/api/batches", batches, ANALYSTS, scope="batches:read"),
    post("/api/readings", take_reading, CAN_TAKE_READINGS, scope="readings:take", largest=take.ORIGINAL_BYTES,
         seconds=take.ORIGINAL_S),
    post("/api/previews", preview, CAN_TAKE_READINGS, scope="readings:take", largest=take.PREVIEW_BYTES, seconds=60.0),
    get("/api/readings/{reading}", reading, scope="readings:read"),
    get("/api/readings/{reading}/record", whole, scope="readings:read"),
))
