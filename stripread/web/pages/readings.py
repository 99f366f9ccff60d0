"""Pages of stored readings, what a technician does with an own reading, and several readings of one sample combined."""

from __future__ import annotations

from typing import Literal

from starlette.responses import Response

from assess.assessment import Assessment
from assess.limits import DEFAULT_SET
from shared.errors import InputError
from stripread.intake.sampling_context import machine_for_point, resolve_point
from stripread.intake.terms import catalogue, own_terms
from stripread.reading.assessment import assess
from stripread.reading.combine import CombinedReading, combine
from stripread.report.page import JointSheet, noticed
from stripread.report.text import cells
from stripread.report.verdicts import assessment_sheet
from stripread.review import session
from stripread.review.move import Destination
from stripread.store.lookup import resolve_id, short_id
from stripread.store.models.evidence import Photograph, Review, StoredReading
from stripread.store.models.materials import StoredChart
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.reading_history import find_history
from stripread.store.sign_ins import names_of
from stripread.web import reading_view
from stripread.web.capture import PhotoIntake
from stripread.web.error_handlers import json, wants_page
from stripread.web.reading_view import judged_sheet
from stripread.web.refusals import CAN_DOWNLOAD_ORIGINALS, REVIEWERS, HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext
from stripread.web.worker_process import PhotoThumbnails

#: Images of a reading never change; only the user's browser may cache them.
_KEPT = {"cache-control": "private, max-age=3600, immutable"}


def show(request: RequestContext) -> Response:
    """Return the page of one reading; what is folded is loaded after it, or with it on request."""
    return _shown(request, "reading.html", "all" if request.query("details") == "all" else "summaries")


def details(request: RequestContext) -> Response:
    """Return what is folded on the page of one reading."""
    return _shown(request, "reading-details.html", "bodies")


def _shown(request: RequestContext, template: str, parts: Literal["summaries", "bodies", "all"]) -> Response:
    history = find_history(request.store, request.path("reading"))
    if history is None:
        raise HTTPRefusal(404, "not-found")
    stored, notation = history.reading, request.notation
    chart = request.store.get(StoredChart, stored.chart).chart
    views = stored_views(request, stored, history.photograph)
    return page(
        request, template, parts=parts, stored=stored, history=history, chart=chart, short=short_id(stored.id),
        names=names_of(request.store, {entry.account for entry in history.entries}),
        headline=reading_view.headline(history, notation), photo=reading_view.whole_photograph(history, views),
        pads=reading_view.measured_pads(history, chart, notation, f"/readings/{stored.id}/pads" if views else ""),
        limits=reading_view.limit_lines(history, notation), judged=judged_sheet(history.assessment, notation),
        gist=reading_view.ReadingSummary(history, notation), noticed=noticed(stored.reading),
        may_save=bool(CAN_DOWNLOAD_ORIGINALS & request.user.roles),
        may_issue=bool(REVIEWERS & request.user.roles) and bool(request.app.settings.issuer.name.strip()))


def move(request: RequestContext) -> Response:
    """Move the photograph to the sampling point or tube it belongs to; on to its reading there."""
    return go(f"/readings/{move_photograph(request).id}")


def move_photograph(request: RequestContext) -> StoredReading:
    """Move the photograph of the reading to its sampling point or tube; return its current reading."""
    stored, store = _stored(request), request.store
    site, point, tube = (request.field(name).strip() or None for name in ("site", "point", "tube"))
    to = Destination(point=resolve_point(store, site and resolve_id(store, Site, site), point), tube=tube,
                     why=request.field("why"))
    if to.point is not None:
        request.demand(SamplingPoint, to.point)
    return PhotoIntake(request.app, request.account).move(stored.photograph, to) or stored


def picture(request: RequestContext) -> Response:
    """Return the photograph, reduced and re-encoded without metadata."""
    views = _stored_views(request)
    if views is None:
        raise HTTPRefusal(404, "not-found")
    return Response(views.picture, media_type="image/jpeg", headers=_KEPT)


def pad(request: RequestContext) -> Response:
    """Return one rectified pad."""
    views = _stored_views(request)
    if views is None or request.path("analyte") not in views.pads:
        raise HTTPRefusal(404, "not-found")
    return Response(views.pads[request.path("analyte")], media_type="image/jpeg", headers=_KEPT)


def original(request: RequestContext) -> Response:
    """Return the original photograph with its metadata, as a download."""
    photograph = request.one(Photograph, _stored(request).photograph)
    return Response(request.store.photographs.get(photograph.id), media_type="application/octet-stream",
                    headers={"content-disposition": f'attachment; filename="{photograph.id}"'})


def _stored(request: RequestContext) -> StoredReading:
    return request.one(StoredReading, request.path("reading"))


def _stored_views(request: RequestContext) -> PhotoThumbnails | None:
    stored = _stored(request)
    return stored_views(request, stored, request.store.get(Photograph, stored.photograph))


def stored_views(request: RequestContext, stored: StoredReading, photograph: Photograph) -> PhotoThumbnails | None:
    """Return the thumbnails of the photograph; None where it was purged or cannot be decoded."""
    if photograph.removed is not None:
        return None
    try:
        return request.app.gallery.of(stored)
    except InputError:
        return None


def note(request: RequestContext) -> Response:
    """Set the note of the photograph."""
    set_note(request)
    return _back(request)


def withdraw(request: RequestContext) -> Response:
    """Withdraw the reading, with a reason."""
    withdraw_own(request)
    return _back(request)


def restore(request: RequestContext) -> Response:
    """Take back the withdrawal."""
    restore_own(request)
    return _back(request)


def set_note(request: RequestContext) -> Photograph:
    """Set the note of the reading's photograph; return the photograph."""
    stored = _stored(request)
    session.set_note(request.store, request.account, stored.id, request.field("note"))
    return request.store.get(Photograph, stored.photograph)


def withdraw_own(request: RequestContext) -> Review:
    """Withdraw the reading, with a reason; return the decision."""
    return session.withdraw_own(request.store, request.account, _stored(request).id, request.field("why"))


def restore_own(request: RequestContext) -> Review:
    """Take back the withdrawal of the reading; return the decision."""
    return session.restore_own(request.store, request.account, _stored(request).id)


def _back(request: RequestContext) -> Response:
    """Return to the reading; a script of the answer card needs no page."""
    return go(f"/readings/{request.path('reading')}") if wants_page(request.http) else json({"status": "ok"})


#: Largest number of readings of one sample.
MOST = 20


def show_combined(request: RequestContext) -> Response:
    """Return the combined values, their agreement and their assessment."""
    ids = list(dict.fromkeys(request.http.query_params.getlist("reading")))
    if not 2 <= len(ids) <= MOST:
        raise HTTPRefusal(422, "together-needs")
    stored = [request.one(StoredReading, id_) for id_ in ids]
    same_strip = request.query("strip") == "one"
    joint = combine([r.reading for r in stored], same_strip=same_strip)
    judged = _judged(request, joint, stored[0])
    return page(request, "together.html", joint=joint, combined=stored, same_strip=same_strip,
                values=[cells(pad, request.notation) for pad in joint.pads],
                sheet=JointSheet(joint),
                judged=None if judged is None else assessment_sheet(judged, request.notation))


def _judged(request: RequestContext, joint: CombinedReading, first: StoredReading) -> Assessment | None:
    if joint.status == "no-result":
        return None
    point = request.store.get(Photograph, first.photograph).point
    own = own_terms(request.store)
    try:
        return assess(
            joint,
            equipment=machine_for_point(request.store, point, None)[1],
            limits=own.limits or DEFAULT_SET,
            units=catalogue(own),
        )
    except InputError:
        return None
