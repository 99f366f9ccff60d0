"""Reports as a page or on paper."""

from __future__ import annotations

from typing import Final, Literal

from starlette.responses import Response

from stripread.records.kinds.evidence import StoredReading
from stripread.report.audit.report import audit_report
from stripread.report.document.html import html
from stripread.report.document.model import Document
from stripread.report.document.pdf import pdf
from stripread.web.ask import Ask, one_of
from stripread.web.views import Reencoded

Form = Literal["page", "paper"]
_FORMS: Final[tuple[Form, ...]] = ("page", "paper")
#: A report carries its own style within; it runs nothing, fetches nothing and leads nowhere.
_POLICY: Final = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"


def issue(ask: Ask) -> Response:
    """A test report on a reading: issued and kept, or the same again; amended only with a reason."""
    form, reading, house = one_of(_FORMS, ask.field("form"), "form"), ask.path("reading"), ask.house
    ask.one(StoredReading, reading)
    shown = house.store.with_photographs(Reencoded(house.store.photographs, house.workers))
    return _sent(audit_report(shown, house.settings, ask.who.account, reading, ask.field("why").strip()), form)


def _sent(document: Document, form: Form) -> Response:
    if form == "paper":
        return Response(pdf(document), media_type="application/pdf",
                        headers={"content-disposition": f'inline; filename="report-{document.id}.pdf"'})
    return Response(html(document), media_type="text/html; charset=utf-8", headers={"content-security-policy": _POLICY})
