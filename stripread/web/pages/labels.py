"""Printable labels with QR codes that open the page of a sampling point or a tube."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal, get_args
from urllib.parse import quote

import segno
from markupsafe import Markup
from starlette.responses import Response

from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.monitoring.sites import Scope, load_sites
from stripread.store import chart_selection
from stripread.store.models.materials import Tube
from stripread.web.listing import ROWS, choice, csv_file, downloads, group_options, list_address, page_number
from stripread.web.rendering import page
from stripread.web.request import RequestContext

Kind = Literal["point", "tube"]
Order = Literal["name", "id"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
ORDERS: Final[tuple[Order, ...]] = get_args(Order)
#: Pixels per module, and quiet zone in modules (ISO/IEC 18004: 4).
_SCALE: Final = 4
_QUIET: Final = 4


@dataclass(frozen=True, slots=True)
class PrintedLabel:
    """Label of a sampling point, batch or tube; ``address``: what its code contains; ``id``: for manual entry."""

    kind: Kind
    id: str
    title: str
    detail: str
    address: str

    def code(self) -> Markup:
        """Return the QR code as SVG."""
        drawn = segno.make_qr(self.address, error="m").svg_inline(scale=_SCALE, border=_QUIET, light="#ffffff")
        return Markup(drawn)  # noqa: S704 - squares of our own making


def show(request: RequestContext) -> Response:
    """Return the labels of the sampling points, batches and tubes in use that match, or a file of them."""
    labels, first = _found(request), page_number(request) * ROWS
    if downloads(request):
        columns = tuple(TableColumn(name, str) for name in ("id", "title", "detail", "address"))
        return csv_file("labels", ReadingsTable(columns, tuple((x.id, x.title, x.detail, x.address) for x in labels)))
    return page(request, "labels.html", address=list_address(request), found=labels[first:first + ROWS], kinds=KINDS,
                orders=ORDERS, groups=group_options(request),
                further=page_number(request) + 1 if len(labels) > first + ROWS else "")


def _found(request: RequestContext) -> list[PrintedLabel]:
    kind, by_id = choice(request, "kind", KINDS), choice(request, "sort", ORDERS) == "id"
    typed = request.query("search").strip().casefold()
    labels = [x for x in (*_points(request), *_tubes(request)) if kind in (None, x.kind)
              and typed in f"{x.title} {x.detail} {x.id}".casefold()]
    return sorted(labels, key=lambda x: (x.kind, () if by_id else (x.title.casefold(), x.detail.casefold()), x.id))


def _points(request: RequestContext) -> Iterator[PrintedLabel]:
    """Yield the labels of the open sampling points of the group, or of all."""
    scope = Scope(group=request.query("group") or None, access=request.access)
    inventory = load_sites(request.store, scope, request.store.clock().date())
    for point in inventory.points.values():
        yield PrintedLabel("point", point.id, inventory.sites[point.site].name, f"{point.name} ({point.place})",
                           _address(request, "p", point.id))


def _tubes(request: RequestContext) -> Iterator[PrintedLabel]:
    """Yield the labels of batches with a chart and of tubes in use; they belong to no group of sites."""
    if request.query("group"):
        return
    for batch in chart_selection.batches_with_charts(request.store):
        yield PrintedLabel("tube", batch, batch, "", _address(request, "t", batch))
    for tube in request.store.find(Tube):
        if tube.finished is None:
            yield PrintedLabel("tube", tube.id, tube.id, tube.batch, _address(request, "t", tube.id))


def _address(request: RequestContext, kind: str, id_: str) -> str:
    return f"{request.http.url.scheme}://{request.http.headers['host']}/{kind}?id={quote(id_, safe='')}"
