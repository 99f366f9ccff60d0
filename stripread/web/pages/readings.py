"""Pages of stored readings."""

from __future__ import annotations

from typing import Literal

from starlette.responses import Response

from shared.errors import InputError
from stripread.intake.sampling_context import resolve_point
from stripread.report.page import noticed
from stripread.review.move import Destination
from stripread.store.lookup import resolve_id, short_id
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.materials import StoredChart
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.reading_history import find_history
from stripread.store.sign_ins import names_of
from stripread.web import reading_view
from stripread.web.capture import PhotoIntake
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
