"""Review: the queue, a reading with what it is compared with, and decisions on it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, Literal, get_args
from urllib.parse import urlencode

from starlette.responses import Response

from shared.analytes import ANALYTES
from shared.errors import InputError
from shared.estimate import Estimate
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.report.page import noticed
from stripread.report.picture import Crop, PhotoView, photo_view
from stripread.review.queue import QueueEntry, QueueFilter, QueueView, queue, view_from
from stripread.review.session import FAULTS, ReviewSession
from stripread.store.errors import ConflictError
from stripread.store.models.evidence import Correction, Fault, Review, StoredReading
from stripread.store.reading_history import ReadingHistory, find_history
from stripread.store.review_reasons import KINDS
from stripread.store.sign_ins import names_of
from stripread.web import review_view
from stripread.web.listing import choice, csv_file, downloads, group_options, list_address
from stripread.web.pages.readings import stored_views
from stripread.web.reading_view import glyphs, headline
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of

Order = Literal["urgent", "oldest"]
_ORDERS: Final[tuple[Order, ...]] = get_args(Order)
_FAULTS: Final[tuple[Fault, ...]] = tuple(FAULTS)
#: Readings of the queue that are listed next to the one under review.
_SHOWN: Final = 14
_CROPS: Final[tuple[Crop, ...]] = ("strip", "card")


def show(request: RequestContext) -> Response:
    """Open the first reading of the queue; without one, state that nothing waits."""
    if downloads(request):
        return csv_file("review-queue", _table(waiting(request)))
    entries = waiting(request, 1)
    if entries:
        return go(_address(request, entries[0].reading))
    return page(request, "review-none.html", address=list_address(request), did=_did(request))


def show_one(request: RequestContext) -> Response:
    """Return the review page of a reading."""
    return _shown(request)


def accept_reading(request: RequestContext) -> Review:
    """Accept the reading of the address; return the decision."""
    return _session(request).accept(_reading(request), request.field("why").strip(), seen=request.field("seen"))


def reject_reading(request: RequestContext) -> Review:
    """Reject the reading with a reason; return the decision."""
    fault = one_of(_FAULTS, request.field("fault"), "fault")
    return _session(request).reject(_reading(request), fault, request.field("why").strip(), seen=request.field("seen"))


def correct_value(request: RequestContext) -> Correction:
    """Store a corrected value of the reading and return it."""
    return _session(request).correct(_reading(request), _estimate(request), request.field("why").strip())


def withdraw_decision(request: RequestContext) -> Review:
    """Withdraw the account's decision on the reading; return the withdrawal."""
    return _session(request).withdraw(_reading(request), request.field("why").strip())


def accept(request: RequestContext) -> Response:
    """Accept a reading; the next one opens."""
    return _decided(request, "accepted", accept_reading)


def reject(request: RequestContext) -> Response:
    """Reject a reading with a reason; the next one opens."""
    return _decided(request, "rejected", reject_reading)


def correct(request: RequestContext) -> Response:
    """Store a corrected value; the reading remains open, so that it can be accepted."""
    return _decided(request, "corrected", correct_value, stays=True)


def undo(request: RequestContext) -> Response:
    """Withdraw the decision on a reading and open it again."""
    return _decided(request, "withdrawn", withdraw_decision, stays=True)


def _session(request: RequestContext) -> ReviewSession:
    return ReviewSession(request.store, request.account)


def _reading(request: RequestContext) -> str:
    return request.one(StoredReading, request.path("reading")).id


def _decided(request: RequestContext, did: str, act: Callable[[RequestContext], object], *, stays: bool = False
             ) -> Response:
    reading = _reading(request)
    # The next one is that of the queue as the reviewer saw it.
    to = reading if stays else _view(request, reading, 1).following
    try:
        act(request)
    except ConflictError:
        return _shown(request, status=409, wrong=request.app.messages("reviewing.meanwhile"))
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    return go(_address(request, to, did=did, of=reading))


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    store = request.store
    history = find_history(store, request.path("reading"))
    if history is None:
        raise HTTPRefusal(404, "not-found")
    earlier, place = review_view.earlier_readings(store, history), _view(request, history.reading.id, _SHOWN)
    before = find_history(store, earlier[-1].id) if earlier else None
    lines = _lines(place)
    colours = glyphs(store, [e.reading for e in lines])
    return page(
        request, "review.html", status=status, wrong=wrong, did=_did(request), address=list_address(request),
        place=place, history=history, headline=headline(history, request.notation),
        lines=review_view.queue_lines(lines, colours),
        reasons=place.entry.why if place.entry else (), choices_=KINDS,
        groups=group_options(request), noticed=noticed(history.reading.reading),
        rows=review_view.history_rows(history, earlier, request.notation), faults=FAULTS, query=_query(request),
        names=names_of(store, {r.account for r in history.reviews}), views=_views(request, history), before=before,
        views_before=_views(request, before) if before else [],
        analytes=[ANALYTES[p.analyte] for p in history.reading.reading.pads],
        next_to=_address(request, place.following) if place.following else "/review")


def _views(request: RequestContext, history: ReadingHistory) -> list[PhotoView]:
    """Return the strip and the card of a reading's photograph; none where it was purged or cannot be decoded."""
    seen = stored_views(request, history.reading, history.photograph)
    if seen is None:
        return []
    href, size = f"/readings/{history.reading.id}/picture", (seen.width, seen.height)
    return [photo_view(history.reading.reading, href, size, crop) for crop in _CROPS]


def waiting(request: RequestContext, most: int | None = None) -> list[QueueEntry]:
    """Return the readings that wait for review under the filters of the address, in its order."""
    return queue(request.store, queue_filter(request), most, oldest_first=_by_time(request))


def queue_filter(request: RequestContext) -> QueueFilter:
    """Return the filters of the address."""
    return QueueFilter(group=request.query("group") or None, reason=choice(request, "reason", KINDS),
                       search=request.query("search").strip() or None, access=request.access)


def _by_time(request: RequestContext) -> bool:
    return choice(request, "sort", _ORDERS) == "oldest"


def _view(request: RequestContext, reading: str, neighbours: int) -> QueueView:
    return view_from(request.store, queue_filter(request), reading, neighbours, oldest_first=_by_time(request))


def _lines(view: QueueView) -> list[QueueEntry]:
    """Return the part of the queue that is listed, with the reading in the middle unless it is near an end."""
    in_front = [*view.before, *([view.entry] if view.entry else [])]
    start = max(0, len(view.before) - _SHOWN // 2)
    return [*in_front[start:], *view.behind][:_SHOWN]


def _query(request: RequestContext) -> str:
    """Return the filters as the query of an address, "" without any."""
    chosen = {name: request.query(name) for name in ("search", "reason", "group", "sort") if request.query(name)}
    return f"?{urlencode(chosen)}" if chosen else ""


def _address(request: RequestContext, reading: str, **more: str) -> str:
    """Return the address of a reading in the same queue; without a reading that of the queue."""
    query = _query(request)
    added = urlencode(more)
    return f"/review{f'/{reading}' if reading else ''}{query}{('&' if query else '?') + added if added else ''}"


def _did(request: RequestContext) -> tuple[str, str] | None:
    """Return the last decision and its reading, as the address states them."""
    did, of = request.query("did"), request.query("of")
    known = did in ("accepted", "rejected", "corrected", "withdrawn")
    return (did, of) if known and request.store.ids(StoredReading, id=of) else None


def _estimate(request: RequestContext) -> Estimate:
    """Return the corrected value of a form, in the analyte's own unit. Raises InputError."""
    analyte = ANALYTES[one_of(tuple(ANALYTES), request.field("analyte"), "analyte")]
    value, u = (request.notation.number(request.field(name), analyte.unit, name) for name in ("value", "uncertainty"))
    most = (analyte.upper - analyte.lower) / 2
    if not 0.0 < u <= most:
        raise InputError("is not a possible uncertainty", where="uncertainty", found=request.field("uncertainty")[:40],
                         allowed=f"greater than 0, at most {most:g} {analyte.unit}")
    if analyte.within(value) != value:
        raise InputError("is not a possible value", where="value", found=request.field("value")[:40],
                         allowed=f"{analyte.lower:g} to {analyte.upper:g} {analyte.unit}")
    return Estimate(analyte=analyte.id, value=value, low=analyte.within(value - u), high=analyte.within(value + u),
                    unit=analyte.unit)


def _table(entries: Sequence[QueueEntry]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "reading", "sampled [UTC]", "site", "site name", "point", "point name", "photo", "reasons"))
    return ReadingsTable(columns, tuple(
        (e.reading, e.sampled, e.site, e.site_name, e.point, e.point_name, e.photo, "; ".join(w.words for w in e.why))
        for e in entries))
