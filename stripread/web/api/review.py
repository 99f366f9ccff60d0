"""Review and reports by the API: queue, decisions of reviewers and technicians, issued reports, withdrawals."""

from __future__ import annotations

from typing import Annotated, Final, Literal

import msgspec
from msgspec.structs import replace
from starlette.responses import Response

from stripread.report.document.model import Document
from stripread.review.queue import QueueEntry, count_queue
from stripread.review.reanalysis.comparison import ReadingComparison
from stripread.review.withdrawal_impact import WithdrawalImpact
from stripread.store.issued_reports import ReportRow
from stripread.store.models.evidence import Correction, Fault, IssuedReport, Photograph, Review, StoredReading
from stripread.store.models.sites import SiteGroup
from stripread.store.review_reasons import ReasonKind
from stripread.web.api.operations import (
    LAST_OFFSET,
    Body,
    FileQuery,
    ListPage,
    ListQuery,
    ReasonBody,
    Remark,
    RemarkBody,
    Why,
    answered,
    change,
    in_utc,
    limit,
    listed,
    number,
    read,
)
from stripread.web.api.readings import Result, current_result
from stripread.web.error_handlers import json
from stripread.web.listing import list_address
from stripread.web.pages import batches, locate, readings, reports, review
from stripread.web.pages.reports import Edition
from stripread.web.pages.review import Order
from stripread.web.refusals import ANALYSTS, CAN_TAKE_READINGS, REVIEWERS
from stripread.web.request import RequestContext

_GROUP_ID = msgspec.Meta(description="ID of the group of sites.")


class QueueQuery(ListQuery, frozen=True):
    """Parameters of the review queue, as on the page Review."""

    group: Annotated[str, _GROUP_ID] = ""
    search: Annotated[str, msgspec.Meta(
        description="Part of the name of site, sampling point or photograph (one or two letters: the start of the "
                    "photograph's name), or the start of the reading's ID.")] = ""
    reason: Annotated[ReasonKind, msgspec.Meta(description="Reason for review.")] = "flags"
    sort: Annotated[Order, msgspec.Meta(description="Order [default: urgent].")] = "urgent"


class ReportsQuery(ListQuery, frozen=True):
    """Parameters of the list of issued reports, as on the page Reports."""

    search: Annotated[str, msgspec.Meta(
        description="Part of the ID of the report, of the names of site and sampling point, or of the reason.")] = ""
    edition: Annotated[Edition, msgspec.Meta(description="Whether a later edition amends the reports.")] = "latest"
    sort: Annotated[Literal["newest", "oldest"], msgspec.Meta(description="Order [default: newest].")] = "newest"


class AcceptanceBody(RemarkBody, frozen=True):
    """Acceptance of a reading; ``seen``: ID of the last decision of another reviewer, needed to replace it."""

    seen: str = ""


class RejectionBody(Body, frozen=True):
    """Rejection of a reading; ``seen``: ID of the last decision of another reviewer, needed to replace it."""

    fault: Fault
    why: Why
    seen: str = ""


class CorrectionBody(Body, frozen=True):
    """A corrected value in the analyte's own unit; ``uncertainty``: half of its 95 % interval."""

    analyte: str
    value: float
    uncertainty: float
    why: Why


class LocationBody(Body, frozen=True):
    """Location in the photograph: corners of the card, pads, or both, in pixels of the upright photograph.

    ``corners``: "x,y x,y x,y x,y" from top left clockwise; ``pads``: "hardness=x,y ph=x,y".
    """

    why: Why
    corners: str = ""
    pads: str = ""
    use_corners: bool = True
    use_pads: bool = True


class MoveBody(Body, frozen=True):
    """Where a photograph belongs: a sampling point, or a site with one point, and a tube; empty ones remain."""

    why: Why
    site: str = ""
    point: str = ""
    tube: str = ""


class NoteBody(Body, frozen=True):
    """Note of a photograph; empty: none."""

    note: Annotated[str, msgspec.Meta(max_length=2000)]


class IssueBody(Body, frozen=True):
    """Format of the report; ``why``: reason for an amendment, where what the report states has changed."""

    form: Literal["json", "html", "pdf"] = "json"
    why: Remark = ""


def _queue(request: RequestContext) -> Response:
    """Return a page of the queue; rows after it are not read."""
    first, most = number(request, "offset", 0, 0, LAST_OFFSET), limit(request)
    found, total = review.waiting(request, first + most), count_queue(request.store, review.queue_filter(request))
    further = list_address(request).link(offset=first + most) if total > first + most else None
    items = tuple(replace(entry, sampled=in_utc(entry.sampled)) for entry in found[first:])
    return json(ListPage(items=items, total=total, next=further))


def _located(request: RequestContext) -> Result:
    return current_result(request, locate.locate_card(request))


def _issue(request: RequestContext) -> Response:
    """Issue a report; return its record, or the document."""
    document: Document = reports.issue_report(request)
    if request.field("form") == "json":
        return json(request.store.get(IssuedReport, document.id))
    return reports.document_response(document, f"report-{document.id}", as_pdf=request.field("form") == "pdf")


def _report(request: RequestContext) -> IssuedReport:
    """Return an issued report on a reading that the account may see."""
    found = request.one(IssuedReport, request.path("report"))
    request.demand(StoredReading, found.reading)
    return found


def _groups(request: RequestContext) -> list[SiteGroup]:
    groups = request.store.find(SiteGroup)
    return [g for g in groups if request.access.groups is None or g.id in request.access.groups]


def _impact(request: RequestContext) -> WithdrawalImpact:
    found = batches.chart_impact(request)
    return replace(found, readings=tuple(replace(r, sampled=in_utc(r.sampled)) for r in found.readings),
                   reports=tuple(replace(r, at=in_utc(r.at)) for r in found.reports))


DOCUMENTS: Final = ("text/html", "application/pdf")
_DECISION: Final = {200: (Review, "The decision.")}
REVIEW: Final = (
    read("/api/review", "queue", "List the readings that wait for review, with the reasons.", _queue, roles=REVIEWERS,
         scope="review", query=QueueQuery, returns={200: (ListPage[QueueEntry], "A page of the queue.")}),
    change("/api/review/{reading}/accept", "accept", "Accept a reading.", answered(review.accept_reading),
           roles=REVIEWERS, scope="review", body=AcceptanceBody, more_errors=(409,), returns=_DECISION),
    change("/api/review/{reading}/reject", "reject", "Reject a reading with a reason.", answered(review.reject_reading),
           roles=REVIEWERS, scope="review", body=RejectionBody, more_errors=(409,), returns=_DECISION),
    change("/api/review/{reading}/undo", "undo", "Withdraw one's own decision on a reading.",
           answered(review.withdraw_decision), roles=REVIEWERS, scope="review", body=RemarkBody, returns=_DECISION),
    change("/api/review/{reading}/correct", "correct", "Store a corrected value; the measured one is unchanged.",
           answered(review.correct_value, status=201), roles=REVIEWERS, scope="review", body=CorrectionBody,
           returns={201: (Correction, "The correction.")}),
    change("/api/review/{reading}/locate", "locate", "Evaluate a photograph again at a location that is stated.",
           answered(_located, status=201), roles=REVIEWERS, scope="review", body=LocationBody,
           returns={201: (Result, "The new reading, which supersedes the old one.")}),
    read("/api/readings/{reading}/re-evaluation", "re-evaluation",
         "Return what an evaluation with the current chart and software version would change; nothing is stored.",
         answered(locate.reevaluate), roles=REVIEWERS, scope="review",
         returns={200: (ReadingComparison, "The comparison.")}),
    change("/api/readings/{reading}/re-evaluation", "re-evaluate",
           "Evaluate a reading again; a changed one supersedes it.", answered(locate.reevaluate), roles=REVIEWERS,
           scope="review", body=ReasonBody,
           returns={200: (ReadingComparison, "The comparison; `new` is the reading that supersedes it.")}),
    change("/api/readings/{reading}/note", "note", "Set the note of one's own photograph.", answered(readings.set_note),
           roles=CAN_TAKE_READINGS, scope="readings:take", body=NoteBody,
           returns={200: (Photograph, "The record of the photograph.")}),
    change("/api/readings/{reading}/withdraw", "withdraw", "Withdraw one's own reading with a reason.",
           answered(readings.withdraw_own), roles=CAN_TAKE_READINGS, scope="readings:take", body=ReasonBody,
           returns={200: (Review, "The withdrawal.")}),
    change("/api/readings/{reading}/restore", "restore", "Take back the withdrawal of one's own reading.",
           answered(readings.restore_own), roles=CAN_TAKE_READINGS, scope="readings:take",
           returns={200: (Review, "The decision.")}),
    change("/api/readings/{reading}/move", "move", "Move a photograph to the sampling point or tube it belongs to.",
           lambda request: json(current_result(request, readings.move_photograph(request))), scope="readings:take",
           body=MoveBody,
           returns={200: (Result, "The current reading of the photograph.")}),
    read("/api/reports", "reports", "List issued test reports, latest first.", listed(reports.chosen_reports),
         scope="readings:read", query=ReportsQuery, returns={200: (ListPage[ReportRow], "A page of reports.")}),
    read("/api/reports/{report}", "report", "Return an issued test report with all that it states.", answered(_report),
         scope="readings:read", returns={200: (IssuedReport, "The report.")}),
    change("/api/readings/{reading}/reports", "issue", "Issue a test report on a reading, or amend it with a reason.",
           _issue, roles=REVIEWERS, scope="review", body=IssueBody, files=DOCUMENTS,
           description="Where nothing has changed, the report issued last is returned.",
           returns={200: (IssuedReport, "The report.")}),
    read("/api/batches/{batch:path}/impact", "impact", "Return what a withdrawal of the chart affects or has affected.",
         answered(_impact), roles=ANALYSTS, scope="batches:read",
         returns={200: (WithdrawalImpact, "The impact.")}),
    read("/api/groups", "groups", "List groups of sites.", listed(_groups), scope="sites:read", query=ListQuery,
         returns={200: (ListPage[SiteGroup], "A page of groups.")}),
    read("/api/groups/{group:path}/report", "group-report", "Return the current report on a group of sites.",
         reports.of_group, scope="sites:read", query=FileQuery, files=DOCUMENTS),
)
