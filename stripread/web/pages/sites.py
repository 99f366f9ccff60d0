"""Overview of all sites: what is out of limits, by how much, since when, and the next action; list and map."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal, get_args

from starlette.responses import Response

from assess.decision import VERDICTS, Verdict
from shared.analytes import ANALYTES
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import SiteStatus, overview
from stripread.store.models.sites import Site
from stripread.web.listing import ROWS, choice, csv_file, downloads, group_options, list_address, page_number
from stripread.web.rendering import page
from stripread.web.request import RequestContext
from stripread.web.sites_view import map_dots, site_lines

Order = Literal["severe", "name", "due"]
_ORDERS: Final[tuple[Order, ...]] = get_args(Order)
#: Verdicts by which the list is filtered, most severe first; none: never assessed.
SHOWN: Final[tuple[Verdict | Literal["none"], ...]] = (*reversed(VERDICTS), "none")


def show(request: RequestContext) -> Response:
    """Return a page of the list, or the whole of it as a file."""
    found = _found(request)
    sites = _filtered(request, found)
    if downloads(request):
        return csv_file("sites", _table(sites))
    first = page_number(request) * ROWS
    shown = sites[first:first + ROWS]
    lines = site_lines(request.store, shown, request.store.clock().date(), request.notation)
    analytes = [cell.analyte for cell in lines[0].cells] if lines else []
    return page(
        request, "sites.html", address=list_address(request), lines=lines, total=len(sites),
        groups=group_options(request), counts={v: sum((s.verdict or "none") == v for s in found) for v in SHOWN},
        all_sites=len(found), shown=SHOWN,
        analytes=analytes, units=[(a, unit) for a in analytes if (unit := request.notation.unit_for(ANALYTES[a].unit))],
        further=page_number(request) + 1 if len(sites) > first + ROWS else "")


def show_map(request: RequestContext) -> Response:
    """Return the map of the sites whose coordinates are stored."""
    sites = _filtered(request, _found(request))
    places = {s.id: (s.latitude, s.longitude) for s in request.store.find(Site)
              if s.latitude is not None and s.longitude is not None}
    return page(request, "sites-map.html", address=list_address(request), dots=map_dots(sites, places),
                total=len(sites))


def _found(request: RequestContext) -> Sequence[SiteStatus]:
    scope = Scope(group=request.query("group") or None, access=request.access)
    return overview(request.store, load_intervals(), scope=scope).sites


def _filtered(request: RequestContext, sites: Sequence[SiteStatus]) -> list[SiteStatus]:
    """Return the sites under the filters of the address, in its order."""
    verdict, typed = choice(request, "verdict", SHOWN), request.query("search").strip().casefold()
    found = [s for s in sites if verdict in (None, s.verdict or "none")
             and typed in f"{s.name} {s.site} {s.water.name if s.water else ''}".casefold()]
    order = choice(request, "sort", _ORDERS)
    if order == "name":
        return sorted(found, key=lambda s: s.name.casefold())
    if order == "due":
        return sorted(found, key=lambda s: (s.next is None, s.next.on.toordinal() if s.next else 0))
    return found


def _table(sites: Sequence[SiteStatus]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "site", "name", "group", "verdict", "since", "deviation", "value", "limit", "last reading", "next action",
        "due"))
    return ReadingsTable(columns, tuple(_row(s) for s in sites))


def _row(s: SiteStatus) -> tuple[str | None, ...]:
    first, water = s.water.first if s.water else None, s.water
    deviation = (None, None, None) if first is None else (
        first.name, f"{first.value:.6g} {first.unit}",
        f"{'' if first.at_least is None else first.at_least} to {'' if first.at_most is None else first.at_most}")
    action = (None, None) if s.next is None else (s.next.what, str(s.next.on))
    return (s.site, s.name, s.group, s.verdict, str(water.since) if water else None, *deviation,
            str(s.last) if s.last else None, *action)
