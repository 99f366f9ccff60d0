"""Manual location of card and pads in a stored photograph, and re-evaluation with its effect shown first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from starlette.responses import Response

from calibration.chart import Chart
from shared.errors import InputError
from stripread.reading.manual_location import corners_from_text, pads_from_text
from stripread.reading.result import ManualLocation, Point
from stripread.review.reanalysis.comparison import ReadingComparison
from stripread.store.models.evidence import StoredReading
from stripread.store.models.materials import StoredChart
from stripread.store.reading_history import ReadingHistory, find_history
from stripread.store.reading_query import count_readings, readings
from stripread.web.capture import PhotoIntake
from stripread.web.listing import list_address
from stripread.web.pages.reading_list import reading_filter
from stripread.web.pages.readings import stored_views
from stripread.web.reading_view import glyphs
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext

#: Where a card's corners are offered that was not found, as fractions of the photograph.
_INSET = 0.2


@dataclass(frozen=True, slots=True)
class Handle:
    """A point to drag, in pixels of the upright photograph; ``group``: the field that it belongs to."""

    group: str
    name: str
    label: str
    at: Point


def show(request: RequestContext) -> Response:
    """Return the photograph with its corners and pads to drag."""
    return _shown(request)


def locate(request: RequestContext) -> Response:
    """Evaluate the photograph at the location given; the new reading opens for review."""
    try:
        new = locate_card(request)
    except InputError as error:
        return _shown(request, status=422, wrong=error.message)
    return go(f"/review/{new.id}")


def locate_card(request: RequestContext) -> StoredReading:
    """Evaluate the photograph at the location given; return the new reading, which supersedes the old one."""
    history = _history(request)
    return PhotoIntake(request.app, request.account).locate(
        history.reading.id, _location(request, _chart(request, history)), request.field("why").strip())


def reevaluate(request: RequestContext) -> ReadingComparison:
    """Evaluate the reading with the current chart and software version; with a reason a change supersedes it."""
    why = request.field("why").strip() or None
    return PhotoIntake(request.app, request.account).reevaluate(_history(request).reading.id, why)


def compare(request: RequestContext) -> Response:
    """Return what an evaluation on the present chart and by the present version would change; nothing is stored."""
    history, found = _history(request), reevaluate(request)
    template = "re-evaluate-effect.html" if request.query("part") == "effect" else "re-evaluate.html"
    return page(request, template, history=history, found=found, wrong="")


def supersede(request: RequestContext) -> Response:
    """Evaluate again and supersede the reading where it changes, with a reason."""
    history, found = _history(request), reevaluate(request)
    if not request.field("why").strip():
        return page(request, "re-evaluate.html", status=422, history=history, found=found,
                    wrong=request.app.messages("again.needs-why"))
    return go(f"/readings/{found.new or history.reading.id}")


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "") -> Response:
    history = _history(request)
    views = stored_views(request, history.reading, history.photograph)
    if views is None:
        raise HTTPRefusal(404, "not-found")
    size = (views.width, views.height)
    return page(request, "locate.html", status=status, wrong=wrong, history=history, size=size,
                handles=_handles(history, _chart(request, history), size), why=request.field("why"))


def _handles(history: ReadingHistory, chart: Chart, size: tuple[float, float]) -> list[Handle]:
    """Return the corners of the card and the pads, where they were found or where they may be."""
    (w, h), reading = size, history.reading.reading
    low, high = _INSET, 1 - _INSET
    inset = ((low * w, low * h), (high * w, low * h), (high * w, high * h), (low * w, high * h))
    corners = reading.card.corners_px if reading.card else inset
    handles = {pad.analyte: pad.px for pad in reading.pads}
    names = [pad.analyte for pad in chart.strip.pads]
    places = [handles.get(a, (w * (low + (high - low) * (n + 1) / (len(names) + 1)), h / 2))
              for n, a in enumerate(names)]
    return [*(Handle("corners", str(n), str(n + 1), at) for n, at in enumerate(corners)),
            *(Handle("pads", a, str(n + 1), at) for n, (a, at) in enumerate(zip(names, places, strict=True)))]


def _location(request: RequestContext, chart: Chart) -> ManualLocation:
    """Return the location of a form: corners, pads, or both. Raises InputError."""
    corners = request.field("corners").strip() if request.field("use-corners") else ""
    pads = request.field("pads").split() if request.field("use-pads") else []
    if not corners and not pads:
        raise InputError("no location is given", where="corners, pads", allowed="corners of the card, pads, or both")
    return ManualLocation(corners=corners_from_text(corners) if corners else None,
                          pads=pads_from_text(pads, chart.strip))


def _chart(request: RequestContext, history: ReadingHistory) -> Chart:
    return request.store.get(StoredChart, history.reading.chart).chart


def _history(request: RequestContext) -> ReadingHistory:
    history = find_history(request.store, request.path("reading"))
    if history is None:
        raise HTTPRefusal(404, "not-found")
    return history


#: Readings of one page: each takes about a second to evaluate.
MOST_READINGS: Final = 100


def show_readings(request: RequestContext) -> Response:
    """Return the readings that the address selects, as the list of readings does."""
    store, wanted = request.store, reading_filter(request)
    rows = readings(store, wanted, MOST_READINGS)
    back = list_address(request).link().replace("/re-evaluation", "/readings", 1)
    return page(request, "re-evaluation.html", found=rows, total=count_readings(store, wanted), most=MOST_READINGS,
                back=back, colours=glyphs(store, [row.id for row in rows]))
