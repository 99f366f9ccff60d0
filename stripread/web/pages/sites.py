"""Overview of all sites, as list and map, and the page of one: verdict, points in flow order, trends, treatment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from starlette.responses import Response

from assess.assessment import Assessment
from shared.analytes import ANALYTES
from shared.text import format_value
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.monitoring.assessed_water import assessment_of, judgements_of
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope, load_sites
from stripread.monitoring.status import SiteStatus, status_of
from stripread.monitoring.trend.trend import trend
from stripread.monitoring.valid_readings import ValidReading, latest
from stripread.report.sites.site import site_report
from stripread.report.text import permitted
from stripread.report.verdicts import assessment_sheet
from stripread.store.models.sites import Site, SiteGroup
from stripread.store.reading_query import ReadingFilter, count_readings
from stripread.web import site_view
from stripread.web.listing import (
    ROWS,
    SITE_VERDICTS,
    all_sites,
    chosen_sites,
    csv_file,
    downloads,
    group_options,
    list_address,
    page_number,
)
from stripread.web.pages.reports import asks_for_pdf, document_response
from stripread.web.reading_view import glyphs
from stripread.web.rendering import page
from stripread.web.request import RequestContext, one_of
from stripread.web.sites_view import map_dots, site_lines


def show(request: RequestContext) -> Response:
    """Return a page of the list, or the whole of it as a file."""
    found = all_sites(request)
    sites = chosen_sites(request, found)
    if downloads(request):
        return csv_file("sites", _table(sites))
    first = page_number(request) * ROWS
    shown = sites[first:first + ROWS]
    lines = site_lines(request.store, shown, request.store.clock().date(), request.notation)
    analytes = [cell.analyte for cell in lines[0].cells] if lines else []
    return page(
        request, "sites.html", address=list_address(request), lines=lines, total=len(sites),
        groups=group_options(request),
        counts={v: sum((s.verdict or "none") == v for s in found) for v in SITE_VERDICTS},
        all_sites=len(found), shown=SITE_VERDICTS,
        analytes=analytes, units=[(a, unit) for a in analytes if (unit := request.notation.unit_for(ANALYTES[a].unit))],
        further=page_number(request) + 1 if len(sites) > first + ROWS else "")


def show_map(request: RequestContext) -> Response:
    """Return the map of the sites whose coordinates are stored."""
    sites = chosen_sites(request, all_sites(request))
    places = {s.id: (s.latitude, s.longitude) for s in request.store.find(Site)
              if s.latitude is not None and s.longitude is not None}
    return page(request, "sites-map.html", address=list_address(request), dots=map_dots(sites, places),
                total=len(sites))


def _table(sites: Sequence[SiteStatus]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "site", "name", "group", "verdict", "since", "deviation", "value", "limit", "last reading", "next action",
        "due"))
    return ReadingsTable(columns, tuple(_row(s) for s in sites))


def _row(s: SiteStatus) -> tuple[str | None, ...]:
    first, water = s.water.first if s.water else None, s.water
    deviation = (None, None, None) if first is None else (
        first.name, format_value(first.value, low=first.low, high=first.high, unit=first.unit),
        permitted(first.at_least, first.at_most))
    action = (None, None) if s.next is None else (s.next.what, str(s.next.on))
    return (s.site, s.name, s.group, s.verdict, str(water.since) if water else None, *deviation,
            str(s.last) if s.last else None, *action)


#: Readings of each point that are asked for to find the latest one.
_LATEST = 1


def show_site(request: RequestContext) -> Response:
    """Return the page."""
    site, store, notation = request.one(Site, request.path("site")), request.store, request.notation
    status = status_of(store, load_intervals(), site.id)
    inventory = load_sites(store, Scope(site=site.id, access=request.access), store.clock().date())
    read = {r.point: r for r in latest(store, inventory.points, _LATEST)}
    waters = [w for w in (status.tap, status.water) if w is not None]
    values = {r.id: r.values for r in _assessed(request, [w.reading for w in waters if w.reading], read)}
    assessment = _assessment(request, status)
    return page(
        request, "site.html", site=site, state=status, headline=site_view.headline(status, notation), waters=waters,
        group=store.get(SiteGroup, site.group).name if site.group else "",
        flow=site_view.flow(inventory, status, {p: (r.id, r.at) for p, r in read.items()},
                            glyphs(store, [r.id for r in read.values()]), store.clock()),
        rows=site_view.water_rows(store, waters, values, notation), trends=_trends(request, read),
        judged=None if assessment is None else assessment_sheet(assessment, notation),
        machines=list(inventory.machines.values()), today=store.clock().date(),
        readings=count_readings(store, ReadingFilter(site=site.id, access=request.access)))


def _assessed(request: RequestContext, wanted: list[str], read: dict[str, ValidReading]) -> list[ValidReading]:
    """Return the readings with these ids; most are the latest of their point."""
    found = {r.id: r for r in read.values()}
    missing = set(wanted) - found.keys()
    points = [p for p, r in read.items() if r.id not in wanted]
    more = [r for r in latest(request.store, points, 50) if r.id in missing] if missing else []
    return [found[id_] for id_ in wanted if id_ in found] + more


def _assessment(request: RequestContext, status: SiteStatus) -> Assessment | None:
    """Return the assessment whose treatments are compared: that of the mains if there is one."""
    water = status.tap or status.water
    return None if water is None else assessment_of(request.store, water)


@dataclass(frozen=True, slots=True)
class AnalyteTrends:
    """Trends of the chosen ``analyte`` by name of the point; ``analytes`` to choose from."""

    analytes: tuple[str, ...]
    analyte: str
    trends: tuple[tuple[str, site_view.SiteTrend], ...]


def _trends(request: RequestContext, read: dict[str, ValidReading]) -> AnalyteTrends:
    """Return the trends of the chosen analyte at every point with readings, and the analytes to choose from."""
    store = request.store
    found = [trend(store, point) for point in read]
    there = tuple(a for a in ANALYTES if any(f.analyte == a for t in found for f in t.analytes))
    chosen = one_of(there, request.query("analyte") or there[0], "analyte") if there else ""
    judged = judgements_of(store, [r.id for r in read.values()])
    return AnalyteTrends(there, chosen, tuple(
        (t.name, site_view.site_trend(t, a, judged.get(read[t.point].id, ()), request.notation))
        for t in found for a in t.analytes if a.analyte == chosen))


def report(request: RequestContext) -> Response:
    """Return the current report on the site as HTML or PDF."""
    site = request.one(Site, request.path("site"))
    made = site_report(request.store, request.app.settings, load_intervals(), site.id)
    return document_response(made, "site-report", as_pdf=asks_for_pdf(request))
