"""Pages for taking a reading: sampling point, tube, photograph, result."""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.responses import Response

from stripread.intake.process import IntakeResult
from stripread.intake.receive import SampleInfo
from stripread.reading.photo_file import PhotoFile
from stripread.report.text import cells
from stripread.store import chart_selection, point_search
from stripread.store.models.materials import Tube
from stripread.web.capture import PhotoIntake, all_flags, moment_from, should_retake
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext
from stripread.web.view_models import judged_sheet

#: Largest preview and original, bytes; upload timeout of an original, seconds.
PREVIEW_BYTES, ORIGINAL_BYTES, ORIGINAL_S = 2 * 2**20, 40 * 2**20, 600.0
#: Placeholder for "no sampling point".
NOWHERE = "-"


def show(ask: RequestContext) -> Response:
    """Return the page of the next step: sampling point, tube, photograph."""
    store, point, batch = ask.house.store, ask.query("point"), ask.query("batch")
    batches = chart_selection.batches_with_charts(store)
    if len(batches) == 1:
        batch = batch or batches[0]
    if not point:
        return _where(ask, batch)
    here = None if point == NOWHERE else point_search.find_point(store, point, ask.access)
    if here is None and point != NOWHERE:
        raise HTTPRefusal(404, "no-point")
    if batch not in batches:
        return page(ask, "take-tube.html", point=point, here=here, batches=batches)
    chart = PhotoIntake(ask.house, ask.who.account).chart(batch)
    return page(ask, "take.html", point="" if here is None else here.id, here=here, batch=batch, batches=batches,
                tube=ask.query("tube"), strip=chart.strip)


def _where(ask: RequestContext, batch: str) -> Response:
    typed = ask.query("search").strip()
    found = point_search.search_points(ask.house.store, typed, ask.access) if typed else []
    last = [] if typed else point_search.recent_points(ask.house.store, ask.who.account, ask.access)
    all_ = point_search.search_points(ask.house.store, "", ask.access)
    first = [] if typed else [spot for spot in all_ if spot not in last]
    return page(ask, "take-where.html", typed=typed, found=found, last=last, first=first, batch=batch, nowhere=NOWHERE,
                tube=ask.query("tube"))


def point_label(ask: RequestContext) -> Response:
    """Redirect from the printed label of a sampling point."""
    return go(f"/take?{urlencode({'point': ask.query('id')})}")


def tube_label(ask: RequestContext) -> Response:
    """Redirect from the printed label of a tube or a batch."""
    name = ask.query("id")
    tube = next(iter(ask.house.store.find(Tube, id=name)), None)
    return go(f"/take?{urlencode({'batch': name} if tube is None else {'batch': tube.batch, 'tube': tube.id})}")


def preview(ask: RequestContext) -> Response:
    """Return a provisional result from a preview image; nothing is stored."""
    reading = PhotoIntake(ask.house, ask.who.account).ahead(ask.body, ask.query("batch"))
    return page(ask, "take-preview.html", reading=reading, noticed=all_flags(reading), again=should_retake(reading),
                values=[cells(pad, ask.who.preferences) for pad in reading.pads if pad.value is not None])


#: Header with the hash that the phone compares before it deletes its copy.
STORED = "x-stored-sha256"


def original(ask: RequestContext) -> Response:
    """Store, evaluate and assess the original. Idempotent."""
    desk = PhotoIntake(ask.house, ask.who.account)
    taken = desk.take(PhotoFile(ask.query("name")[-200:] or "photograph", ask.body), _said(ask),
                      ask.query("replaces") or None)
    answer = _done(ask, taken)
    answer.headers[STORED] = desk.stored_sha256(taken.photograph)
    return answer


def _said(ask: RequestContext) -> SampleInfo:
    return SampleInfo(
        point=ask.query("point") or None,
        batch=ask.query("batch") or None,
        tube=ask.query("tube") or None,
        dipped=moment_from(ask.query("dipped"), "dipped"),
    )


def _done(ask: RequestContext, taken: IntakeResult) -> Response:
    reading = None if taken.reading is None else taken.reading.reading
    return page(ask, "take-done.html", taken=taken, reading=reading, noticed=all_flags(reading) if reading else (),
                again=reading is not None and should_retake(reading),
                judged=judged_sheet(taken.assessment, ask.who.preferences),
                values=[cells(pad, ask.who.preferences) for pad in reading.pads] if reading else [])
