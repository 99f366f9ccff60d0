"""Reports as HTML or PDF, and the list of issued test reports with their amendments."""

from __future__ import annotations

from functools import partial
from typing import Final, Literal, get_args

from starlette.responses import Response

from shared.decoders import from_msgpack
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.report.document.model import Document, html
from stripread.report.document.pdf import pdf
from stripread.report.evidence import Jpeg
from stripread.report.sites.group import group_report
from stripread.report.test_report.report import Issuing, audit_report
from stripread.store.issued_reports import ReportRow, issued_reports
from stripread.store.models.evidence import StoredReading
from stripread.store.models.sites import SiteGroup
from stripread.web.listing import ROWS, choice, csv_file, downloads, group_options, list_address, page_number
from stripread.web.rendering import page
from stripread.web.request import RequestContext, one_of
from stripread.web.worker import Workers
from stripread.web.worker_process import draw

Form = Literal["page", "paper"]
_FORMS: Final[tuple[Form, ...]] = ("page", "paper")
#: A report contains its style sheet; it has no scripts, external resources or links.
REPORT_POLICY: Final = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"


def issue(request: RequestContext) -> Response:
    """Issue a test report on a reading and show it as a page or a PDF."""
    form = one_of(_FORMS, request.field("form"), "form")
    document = issue_report(request)
    return document_response(document, f"report-{document.id}", as_pdf=form == "paper")


def issue_report(request: RequestContext) -> Document:
    """Issue a test report on the reading, or return the unchanged one; an amendment needs a reason."""
    app, reading = request.app, request.one(StoredReading, request.path("reading"))
    issuing = Issuing(app.settings, request.account, partial(_drawn, app.workers))
    return audit_report(app.store, issuing, reading.id, request.field("why").strip())


def _drawn(workers: Workers, /, **given: object) -> tuple[Jpeg, Jpeg]:
    """Return both images of a report, made in a worker."""
    return from_msgpack(workers.do(draw, **given), tuple[Jpeg, Jpeg])


def asks_for_pdf(request: RequestContext) -> bool:
    """Return whether the address asks for a PDF; without ``form`` it asks for HTML."""
    return one_of(("html", "pdf"), request.query("form") or "html", "form") == "pdf"


def document_response(document: Document, name: str, *, as_pdf: bool) -> Response:
    """Return a document as PDF, with a file ``name``, or as HTML that runs nothing."""
    if as_pdf:
        return Response(pdf(document), media_type="application/pdf",
                        headers={"content-disposition": f'inline; filename="{name}.pdf"'})
    return Response(html(document), media_type="text/html; charset=utf-8",
                    headers={"content-security-policy": REPORT_POLICY})


Edition = Literal["latest", "amended"]
EDITIONS: Final[tuple[Edition, ...]] = get_args(Edition)


def show(request: RequestContext) -> Response:
    """Return a page of the list, or the whole of it as a file."""
    found = chosen_reports(request)
    if downloads(request):
        return csv_file("reports", _table(found))
    first = page_number(request) * ROWS
    return page(request, "reports.html", address=list_address(request), reports=found[first:first + ROWS],
                total=len(found), editions=EDITIONS, groups=group_options(request),
                further=page_number(request) + 1 if len(found) > first + ROWS else "")


def of_group(request: RequestContext) -> Response:
    """Return the current report on a group of sites as HTML or PDF."""
    group = request.one(SiteGroup, request.path("group"))
    made = group_report(request.store, request.app.settings, load_intervals(), group.id)
    return document_response(made, "group-report", as_pdf=asks_for_pdf(request))


def chosen_reports(request: RequestContext) -> list[ReportRow]:
    """Return the issued reports under the filters of the address, in its order."""
    typed, edition = request.query("search").strip().casefold(), choice(request, "edition", EDITIONS)
    found = [r for r in issued_reports(request.store, request.access)
             if typed in f"{r.id} {r.site_name} {r.point_name} {r.why}".casefold()
             and edition in (None, "amended" if r.amended_by else "latest")]
    return found[::-1] if choice(request, "sort", ("newest", "oldest")) == "oldest" else found


def _table(found: list[ReportRow]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in (
        "report", "issued [UTC]", "reading", "site name", "point name", "amends", "reason", "amended by"))
    return ReadingsTable(columns, tuple((r.id, r.at.isoformat(), r.reading, r.site_name, r.point_name, r.amends, r.why,
                                         r.amended_by) for r in found))
