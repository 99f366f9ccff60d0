"""Test report of one reading, with the items that ISO/IEC 17025:2017, 7.8.2.1 requires."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from shared.errors import InputError
from stripread.report.document.model import Bullets, Document, DocumentTable, Section, Text, facts, row
from stripread.report.evidence import Drawing, plain_and_drawn
from stripread.report.test_report.basis import (
    Case,
    case_of,
    facts_of,
    item,
    method,
    moment,
    photograph,
    review,
    uncertainty,
)
from stripread.report.test_report.results import results
from stripread.store.issued_reports import Edition, issue
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import IssuedReport
from stripread.store.settings import Settings
from stripread.store.sign_ins import names_of
from stripread.store.store import Store

_NOT_STATED = "not stated: set it under [issuer] in the settings"
_STATEMENTS = (
    "The results relate only to the item that was tested.",
    "The report shall not be reproduced except in full without the issuer's approval.",
    "This report makes no statement on potability.",
    "Boilers are pressurised vessels: only qualified persons may work on them. Local plumbing codes apply.",
    "The report follows the requirements of ISO/IEC 17025:2017, 7.8. The issuer does not claim accreditation.",
)
#: Items that the standard requires, and where the report contains them.
_WHERE = (
    ("a, d", "title; the report's ID and page numbers on every page; end of report marked"),
    ("b, c, e, j, o", "Issued"), ("f, n", "Method"), ("g, h, k", "Item tested, and sampling"),
    ("i", "Method: performed"), ("l", "Statements"), ("m", "Results"), ("p", "External results, if any"),
    ("7.8.3.1 and 7.8.6", "Conformity, Uncertainty"), ("7.8.8", "Amendment, if any"),
)


@dataclass(frozen=True, slots=True)
class Issuing:
    """Settings and account under which a report is issued, and the function that decodes its photograph."""

    settings: Settings
    account: str
    drawing: Drawing = plain_and_drawn


def audit_report(store: Store, issuing: Issuing, reading: str, why: str = "") -> Document:
    """Issue the report, or return the latest edition if nothing has changed.

    Raises RecordsError for an unknown reading or an amendment without a reason; InputError where the account may not
    issue reports, or no issuer is configured.
    """
    settings, account = issuing.settings, issuing.account
    _check(store, issuing)
    case = case_of(store, reading)
    # Stored facts contain no personal names, so that a name can be erased from the records.
    recorded = facts_of(_sections(replace(case, names={}), settings))
    edition = issue(store, account, IssuedReport(id="draft", reading=reading, at=store.clock(), account=account,
                                                 facts=recorded, why=why))
    report = edition.report
    case = replace(case, names=case.names | names_of(store, [report.account]))
    return Document(
        id=report.id, title="Test report: water on a test strip",
        about=f"{_place(case)}; issued {moment(report.at)} by {case.person(report.account)}.",
        sections=(*_warnings(case), *_amendment(edition), *_sections(case, settings),
                  photograph(case, store, issuing.drawing), _statements()))


def _check(store: Store, issuing: Issuing) -> None:
    """Reports are issued by reviewers, in the name of a configured issuer (ISO/IEC 17025, 7.8.1.1 and 7.8.2.1 b)."""
    roles = store.get(Account, issuing.account).roles
    if "reviewer" not in roles:
        raise InputError("only reviewers may issue test reports", where=f"account {issuing.account}",
                         found=f"roles {', '.join(roles) or 'none'}", allowed="the role reviewer",
                         remedy="ask a reviewer to issue it, or an administrator for the role")
    if not issuing.settings.issuer.name.strip():
        raise InputError("no issuer is configured", where="settings, [issuer]", found="no name",
                         allowed='name = "..."', remedy="configure the issuer, then issue the report")


def _sections(case: Case, settings: Settings) -> list[Section]:
    """Sections whose facts can change between editions."""
    return [_issued_by(case, settings), *results(case), item(case), method(case),
            *filter(None, (uncertainty(case),)), review(case, case.of.review_status)]


def _issued_by(case: Case, settings: Settings) -> Section:
    issuer, site = settings.issuer, case.of.site
    customer = ", ".join(filter(None, (site.name, site.address))) if site else "not stated"
    acceptances = [r for r in case.of.valid_reviews if r.decision == "accepted"]
    return Section("Issued", (facts((
        ("Issuer", issuer.name or _NOT_STATED), ("Address", issuer.address or _NOT_STATED), ("Contact", issuer.contact),
        ("Customer", customer),
        ("Location", f"sampled and photographed at {site.name}, evaluated by software" if site else
         "evaluated by software"),
        ("Authorised by", " and ".join(case.person(r.account) for r in acceptances)
         if case.of.review_status == "accepted" else "not authorised: the reading has not been accepted in review"),
    )),))


def _warnings(case: Case) -> Iterator[Section]:
    if case.of.review_status == "rejected":
        yield Section("Rejected", (Text("A reviewer rejected this reading. Do not use its results.", "bad",
                                        strong=True),), edge="bad")
    if case.of.superseded_by:
        yield Section("Superseded", (Text(f"Reading {case.of.superseded_by} supersedes this reading.", "bad",
                                          strong=True),), edge="bad")


def _amendment(edition: Edition) -> Iterator[Section]:
    before = edition.before
    if before is None:
        return
    rows = tuple(row(*change) for change in edition.changes)
    yield Section("Amendment", (
        Text(f"This report amends report {before.id} of {moment(before.at)} and replaces it.", strong=True),
        Text(f"Reason: {edition.report.why}"),
        DocumentTable("Changes", ("Item", "Before", "Now"), rows)), edge="open")


def _statements() -> Section:
    return Section("Statements", (
        Bullets(_STATEMENTS), Text("Items required by ISO/IEC 17025:2017, 7.8.2.1, and their places:", "soft"),
        facts(_WHERE)))


def _place(case: Case) -> str:
    names = (case.of.site and case.of.site.name, case.of.point and case.of.point.name, case.of.photograph.name)
    return ", ".join(name for name in names if name)
