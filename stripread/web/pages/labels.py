"""Printable labels with QR codes that open the page of a sampling point or a tube."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from urllib.parse import quote

import segno
from markupsafe import Markup
from starlette.responses import Response

from stripread.store import chart_selection, lookup
from stripread.store.models.materials import Tube
from stripread.web.rendering import page
from stripread.web.request import RequestContext

#: Pixels per module, and quiet zone in modules (ISO/IEC 18004: 4).
_SCALE: Final = 4
_QUIET: Final = 4


@dataclass(frozen=True, slots=True)
class PrintedLabel:
    """Label: QR code, title, and id for manual entry."""

    code: Markup
    title: str
    detail: str
    id: str


def show(request: RequestContext) -> Response:
    """Return the labels of the sampling points found, and of batches and tubes in use."""
    typed = request.query("search").strip()
    spots = [_printed(request, "p", s.id, s.site_name, f"{s.name} ({s.place})")
             for s in lookup.search_points(request.store, typed, request.access)]
    batches = [_printed(request, "t", b, b, "") for b in chart_selection.batches_with_charts(request.store)]
    tubes = [_printed(request, "t", t.id, t.id, t.batch) for t in request.store.find(Tube) if t.finished is None]
    return page(request, "labels.html", typed=typed, spots=spots, tubes=[*batches, *tubes], most=lookup.MOST)


def _printed(request: RequestContext, kind: str, id_: str, title: str, detail: str) -> PrintedLabel:
    address = f"{request.http.url.scheme}://{request.http.headers['host']}/{kind}?id={quote(id_, safe='')}"
    drawn = segno.make_qr(address, error="m").svg_inline(scale=_SCALE, border=_QUIET, light="#ffffff")
    return PrintedLabel(Markup(drawn), title, detail, id_)  # noqa: S704 - squares of our own making
