"""Lists of the JSON API, page by page, under the filters of the pages."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final, Literal, TypeVar

from starlette.responses import Response

from assess.decision import VERDICTS
from shared.decoders import converted
from shared.errors import InputError
from shared.flags import FLAGS
from stripread.store import lookup
from stripread.store.reading_query import ReadingFilter, count_readings, readings
from stripread.store.reading_status import REVIEW_STATUS_NAMES
from stripread.web.api.operations import ITEMS, LAST_OFFSET, MOST_ITEMS, MOST_WEEKS
from stripread.web.api.responses import ListPage, Point, batch_row, decision_row
from stripread.web.capture import moment_from
from stripread.web.error_handlers import json
from stripread.web.listing import COUNTED, choice, list_address
from stripread.web.request import RequestContext
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
