"""Page of one site: verdict and action, points in flow order, trends with events, treatment compared, reports."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.responses import Response

from assess.assessment import Assessment
from shared.analytes import ANALYTES
from stripread.monitoring.assessed_water import assessment_of, judgements_of
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope, load_sites
from stripread.monitoring.status import SiteStatus, status_of
from stripread.monitoring.trend.trend import trend
from stripread.monitoring.valid_readings import ValidReading, latest
from stripread.report.document.model import html
from stripread.report.document.pdf import pdf
from stripread.report.sites.site import site_report
from stripread.report.verdicts import assessment_sheet
from stripread.store.models.sites import Site, SiteGroup
from stripread.store.reading_query import ReadingFilter, count_readings
from stripread.web import site_view
from stripread.web.pages.reports import REPORT_POLICY
from stripread.web.reading_view import glyphs
from stripread.web.rendering import page
from stripread.web.request import RequestContext, one_of

#: Readings of each point that are asked for to find the latest one.
_LATEST = 1


def show(request: RequestContext) -> Response:
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
                            glyphs(store, [r.id for r in read.values()]), store.clock().date()),
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
    if one_of(("html", "pdf"), request.query("form") or "html", "form") == "pdf":
        return Response(pdf(made), media_type="application/pdf",
                        headers={"content-disposition": 'inline; filename="site-report.pdf"'})
    return Response(html(made), media_type="text/html; charset=utf-8",
                    headers={"content-security-policy": REPORT_POLICY})
