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
from stripread.store.models.evidence import Photograph, StoredReading
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


def show(ask: RequestContext) -> Response:
    """Return the page of one reading; what is folded is loaded after it, or with it on request."""
    return _shown(ask, "reading.html", "all" if ask.query("details") == "all" else "summaries")


def details(ask: RequestContext) -> Response:
    """Return what is folded on the page of one reading."""
    return _shown(ask, "reading-details.html", "bodies")


def _shown(ask: RequestContext, template: str, parts: Literal["summaries", "bodies", "all"]) -> Response:
    history = find_history(ask.house.store, ask.path("reading"))
    if history is None:
        raise HTTPRefusal(404, "not-found")
    kept, notation = history.reading, ask.notation
    chart = ask.house.store.get(StoredChart, kept.chart).chart
    views = stored_views(ask, kept, history.photograph)
    return page(
        ask, template, parts=parts, kept=kept, history=history, chart=chart, short=short_id(kept.id),
        names=names_of(ask.house.store, {entry.who for entry in history.entries}),
        headline=reading_view.headline(history, notation), photo=reading_view.whole_photograph(history, views),
        pads=reading_view.measured_pads(history, chart, notation, f"/readings/{kept.id}/pads" if views else ""),
        limits=reading_view.limit_lines(history, notation), judged=judged_sheet(history.assessment, notation),
        gist=reading_view.ReadingSummary(history, notation), noticed=noticed(kept.reading),
        may_save=bool(CAN_DOWNLOAD_ORIGINALS & ask.who.roles),
        may_issue=bool(REVIEWERS & ask.who.roles) and bool(ask.house.settings.issuer.name.strip()))


def move(ask: RequestContext) -> Response:
    """Move the photograph to the sampling point or tube it belongs to; on to its reading there."""
    kept, store = _kept(ask), ask.house.store
    site, point, tube = (ask.field(name).strip() or None for name in ("site", "point", "tube"))
    to = Destination(point=resolve_point(store, site and resolve_id(store, Site, site), point), tube=tube,
                     why=ask.field("why"))
    if to.point is not None:
        ask.demand(SamplingPoint, to.point)
    new = PhotoIntake(ask.house, ask.who.account).move(kept.photograph, to)
    return go(f"/readings/{kept.id if new is None else new.id}")


def picture(ask: RequestContext) -> Response:
    """Return the photograph, reduced and re-encoded without metadata."""
    views = _stored_views(ask)
    if views is None:
        raise HTTPRefusal(404, "not-found")
    return Response(views.picture, media_type="image/jpeg", headers=_KEPT)


def pad(ask: RequestContext) -> Response:
    """Return one rectified pad."""
    views = _stored_views(ask)
    if views is None or ask.path("analyte") not in views.pads:
        raise HTTPRefusal(404, "not-found")
    return Response(views.pads[ask.path("analyte")], media_type="image/jpeg", headers=_KEPT)


def original(ask: RequestContext) -> Response:
    """Return the original photograph with its metadata, as a download."""
    photograph = ask.one(Photograph, _kept(ask).photograph)
    return Response(ask.house.store.photographs.get(photograph.id), media_type="application/octet-stream",
                    headers={"content-disposition": f'attachment; filename="{photograph.id}"'})


def _kept(ask: RequestContext) -> StoredReading:
    return ask.one(StoredReading, ask.path("reading"))


def _stored_views(ask: RequestContext) -> PhotoThumbnails | None:
    kept = _kept(ask)
    return stored_views(ask, kept, ask.house.store.get(Photograph, kept.photograph))


def stored_views(ask: RequestContext, kept: StoredReading, photograph: Photograph) -> PhotoThumbnails | None:
    """Return the thumbnails of the photograph; None where it was purged or cannot be decoded."""
    if photograph.removed is not None:
        return None
    try:
        return ask.house.gallery.of(kept)
    except InputError:
        return None


def note(ask: RequestContext) -> Response:
    """Set the note of the photograph."""
    session.set_note(ask.house.store, ask.who.account, _own_reading(ask), ask.field("note"))
    return _back(ask)


def withdraw(ask: RequestContext) -> Response:
    """Withdraw the reading, with a reason."""
    session.withdraw_own(ask.house.store, ask.who.account, _own_reading(ask), ask.field("why"))
    return _back(ask)


def restore(ask: RequestContext) -> Response:
    """Take back the withdrawal."""
    session.restore_own(ask.house.store, ask.who.account, _own_reading(ask))
    return _back(ask)


def _own_reading(ask: RequestContext) -> str:
    return ask.one(StoredReading, ask.path("reading")).id


def _back(ask: RequestContext) -> Response:
    """Return to the reading; a script of the answer card needs no page."""
    return go(f"/readings/{ask.path('reading')}") if wants_page(ask.request) else json({"status": "ok"})


#: Largest number of readings of one sample.
MOST = 20


def show_combined(ask: RequestContext) -> Response:
    """Return the combined values, their agreement and their assessment."""
    ids = list(dict.fromkeys(ask.request.query_params.getlist("reading")))
    if not 2 <= len(ids) <= MOST:
        raise HTTPRefusal(422, "together-needs")
    kept = [ask.one(StoredReading, id_) for id_ in ids]
    same_strip = ask.query("strip") == "one"
    joint = combine([k.reading for k in kept], same_strip=same_strip)
    judged = _judged(ask, joint, kept[0])
    return page(ask, "together.html", joint=joint, kept=kept, same_strip=same_strip,
                values=[cells(pad, ask.who.preferences) for pad in joint.pads],
                sheet=JointSheet(joint),
                judged=None if judged is None else assessment_sheet(judged, ask.who.preferences))


def _judged(ask: RequestContext, joint: CombinedReading, first: StoredReading) -> Assessment | None:
    if joint.status == "no-result":
        return None
    point = ask.house.store.get(Photograph, first.photograph).point
    own = own_terms(ask.house.store)
    try:
        return assess(
            joint,
            equipment=machine_for_point(ask.house.store, point, None)[1],
            limits=own.limits or DEFAULT_SET,
            units=catalogue(own),
        )
    except InputError:
        return None
