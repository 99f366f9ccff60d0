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
from stripread.report.figures.photo_view import Crop, PhotoView, photo_view
from stripread.report.page import noticed
from stripread.review.queue import QueueEntry, ReasonKind, queue
from stripread.review.session import FAULTS, ReviewSession
from stripread.store.models.evidence import Fault, StoredReading
from stripread.store.reading_history import ReadingHistory, find_history
from stripread.store.sign_ins import names_of
from stripread.web import review_view
from stripread.web.listing import choice, csv_file, downloads, group_options, list_address
from stripread.web.pages.readings import stored_views
from stripread.web.reading_view import glyphs, headline
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of

REASONS: Final[tuple[ReasonKind, ...]] = get_args(ReasonKind)
Order = Literal["urgent", "oldest"]
_ORDERS: Final[tuple[Order, ...]] = get_args(Order)
_FAULTS: Final[tuple[Fault, ...]] = tuple(FAULTS)
#: Readings of the queue that are listed next to the one under review.
_SHOWN: Final = 14
_CROPS: Final[tuple[Crop, ...]] = ("strip", "card")


def show(ask: RequestContext) -> Response:
    """Open the first reading of the queue; without one, state that nothing waits."""
    entries = _entries(ask)
    if downloads(ask):
        return csv_file("review-queue", _table(entries))
    if entries:
        return go(_address(ask, entries[0].reading))
    return page(ask, "review-none.html", address=list_address(ask), did=_did(ask))


def show_one(ask: RequestContext) -> Response:
    """Return the review page of a reading."""
    return _shown(ask)


def accept(ask: RequestContext) -> Response:
    """Accept a reading; the next one opens."""
    return _decided(ask, "accepted", lambda session, reading: session.accept(reading, ask.field("why").strip()))


def reject(ask: RequestContext) -> Response:
    """Reject a reading with a reason; the next one opens."""
    return _decided(ask, "rejected", lambda session, reading: session.reject(
        reading, one_of(_FAULTS, ask.field("fault"), "fault"), ask.field("why").strip()))


def correct(ask: RequestContext) -> Response:
    """Store a corrected value; the reading remains open, so that it can be accepted."""
    return _decided(ask, "corrected", lambda session, reading: session.correct(
        reading, _estimate(ask), ask.field("why").strip()), stays=True)


def undo(ask: RequestContext) -> Response:
    """Withdraw the decision on a reading and open it again."""
    return _decided(ask, "withdrawn", lambda session, reading: session.withdraw(reading), stays=True)


def _decided(ask: RequestContext, did: str, act: Callable[[ReviewSession, str], object], *, stays: bool = False
             ) -> Response:
    reading = ask.one(StoredReading, ask.path("reading")).id
    # The next one is that of the queue as the reviewer saw it.
    to = reading if stays else review_view.place_in(_entries(ask), reading).after
    try:
        act(ReviewSession(ask.house.store, ask.who.account), reading)
    except InputError as error:
        return _shown(ask, status=422, wrong=error.message)
    return go(_address(ask, to, did=did, of=reading))


def _shown(ask: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    store, entries = ask.house.store, _entries(ask)
    history = find_history(store, ask.path("reading"))
    if history is None:
        raise HTTPRefusal(404, "not-found")
    earlier, place = review_view.earlier_readings(store, history), review_view.place_in(entries, history.reading.id)
    before = find_history(store, earlier[-1].id) if earlier else None
    first = max(0, place.number - 1 - _SHOWN // 2)
    lines = entries[first:first + _SHOWN]
    colours = glyphs(store, [e.reading for e in lines])
    return page(
        ask, "review.html", status=status, wrong=wrong, did=_did(ask), address=list_address(ask), place=place,
        history=history, headline=headline(history, ask.notation), lines=review_view.queue_lines(lines, colours),
        reasons=next((e.why for e in entries if e.reading == history.reading.id), ()), choices_=REASONS,
        groups=group_options(ask), noticed=noticed(history.reading.reading),
        rows=review_view.history_rows(history, earlier, ask.notation), faults=FAULTS, query=_query(ask),
        names=names_of(store, {r.account for r in history.reviews}), views=_views(ask, history), before=before,
        views_before=_views(ask, before) if before else [],
        analytes=[ANALYTES[p.analyte] for p in history.reading.reading.pads],
        next_to=_address(ask, place.after) if place.after else "/review")


def _views(ask: RequestContext, history: ReadingHistory) -> list[PhotoView]:
    """Return the strip and the card of a reading's photograph; none where it was purged or cannot be decoded."""
    seen = stored_views(ask, history.reading, history.photograph)
    if seen is None:
        return []
    href, size = f"/readings/{history.reading.id}/picture", (seen.width, seen.height)
    return [photo_view(history.reading.reading, href, size, crop) for crop in _CROPS]


def _entries(ask: RequestContext) -> list[QueueEntry]:
    """Return the queue under the filters of the address."""
    found = queue(ask.house.store, group=ask.query("group") or None, access=ask.access)
    reason, typed = choice(ask, "reason", REASONS), ask.query("search").strip().casefold()
    if reason is not None:
        found = [e for e in found if any(w.kind == reason for w in e.why)]
    if typed:
        found = [e for e in found if typed in _text(e)]
    return sorted(found, key=review_view.sampled) if choice(ask, "sort", _ORDERS) == "oldest" else found


def _text(e: QueueEntry) -> str:
    return " ".join((e.site_name or "", e.point_name or "", e.photo, *(w.words for w in e.why))).casefold()


def _query(ask: RequestContext) -> str:
    """Return the filters as the query of an address, "" without any."""
    kept = {name: ask.query(name) for name in ("search", "reason", "group", "sort") if ask.query(name)}
    return f"?{urlencode(kept)}" if kept else ""


def _address(ask: RequestContext, reading: str, **more: str) -> str:
    """Return the address of a reading in the same queue; without a reading that of the queue."""
    query = _query(ask)
    added = urlencode(more)
    return f"/review{f'/{reading}' if reading else ''}{query}{('&' if query else '?') + added if added else ''}"


def _did(ask: RequestContext) -> tuple[str, str] | None:
    """Return the last decision and its reading, as the address states them."""
    did, of = ask.query("did"), ask.query("of")
    known = did in ("accepted", "rejected", "corrected", "withdrawn")
    return (did, of) if known and ask.house.store.ids(StoredReading, id=of) else None


def _estimate(ask: RequestContext) -> Estimate:
    """Return the corrected value of a form, in the analyte's own unit. Raises InputError."""
    analyte = ANALYTES[one_of(tuple(ANALYTES), ask.field("analyte"), "analyte")]
    value, u = (ask.notation.number(ask.field(name), analyte.unit, name) for name in ("value", "uncertainty"))
    low, high = analyte.within(value - u), analyte.within(value + u)
    if not low <= value <= high:
        raise InputError("is not a possible value", where="value", found=ask.field("value")[:40],
                         allowed=f"{analyte.lower:g} to {analyte.upper:g} {analyte.unit}")
    return Estimate(analyte=analyte.id, value=value, low=low, high=high, unit=analyte.unit)


def _table(entries: Sequence[QueueEntry]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "reading", "sampled [UTC]", "site", "site name", "point", "point name", "photo", "reasons"))
    return ReadingsTable(columns, tuple(
        (e.reading, e.sampled, e.site, e.site_name, e.point, e.point_name, e.photo, "; ".join(w.words for w in e.why))
        for e in entries))
