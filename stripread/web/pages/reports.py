"""Reports as HTML or PDF."""

from __future__ import annotations

from functools import partial
from typing import Final, Literal

from starlette.responses import Response

from shared.decoders import from_msgpack
from stripread.report.document.model import Document, html
from stripread.report.document.pdf import pdf
from stripread.report.evidence import Jpeg
from stripread.report.test_report.report import Issuing, audit_report
from stripread.store.models.evidence import StoredReading
from stripread.web.request import RequestContext, one_of
from stripread.web.worker import Workers
from stripread.web.worker_process import draw

Form = Literal["page", "paper"]
_FORMS: Final[tuple[Form, ...]] = ("page", "paper")
#: A report contains its style sheet; it has no scripts, external resources or links.
REPORT_POLICY: Final = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"


def issue(ask: RequestContext) -> Response:
    """Issue a test report on a reading, or return the unchanged one; an amendment needs a reason."""
    form, reading, house = one_of(_FORMS, ask.field("form"), "form"), ask.path("reading"), ask.house
    ask.one(StoredReading, reading)
    issuing = Issuing(house.settings, ask.who.account, partial(_drawn, house.workers))
    return _sent(audit_report(house.store, issuing, reading, ask.field("why").strip()), form)


def _drawn(workers: Workers, /, **given: object) -> tuple[Jpeg, Jpeg]:
    """Return both images of a report, made in a worker."""
    return from_msgpack(workers.do(draw, **given), tuple[Jpeg, Jpeg])


def _sent(document: Document, form: Form) -> Response:
    if form == "paper":
        return Response(pdf(document), media_type="application/pdf",
                        headers={"content-disposition": f'inline; filename="report-{document.id}.pdf"'})
    return Response(html(document), media_type="text/html; charset=utf-8",
                    headers={"content-security-policy": REPORT_POLICY})
