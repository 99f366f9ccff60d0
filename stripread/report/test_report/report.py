"""Test report of one reading, with the items that ISO/IEC 17025:2017, 7.8.2.1 requires."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from shared.analytes import ANALYTES
from shared.errors import InputError
from shared.flags import FLAGS, in_order
from shared.text import format_estimate
from stripread.reading.result import PadReading
from stripread.report.document.model import (
    Block,
    Bullets,
    Cell,
    Document,
    DocumentTable,
    Facts,
    Section,
    Text,
    facts,
    number,
    row,
)
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
from stripread.report.text import cells, flag_detail
from stripread.report.verdicts import Bar, assessment_sheet
from stripread.store.issued_reports import Edition, issue
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Correction, IssuedReport, LabResult, StoredAssessment
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
        yield Section("Rejected or withdrawn", (
            Text("This reading was rejected or withdrawn. Do not use its results.", "bad", strong=True),), edge="bad")
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


_INTERVALS = ("Each measured value is given with its 95 % interval in the same unit. The interval includes all "
              "components listed under Uncertainty. It can be asymmetric where the calibration chart is curved.")
_BY_PERSON = ("These values were entered manually; they are not results of the method. The original results above are "
              "unchanged.")
#: Marks limits without a published source in the limit sets.
_UNPUBLISHED = "common practice, no source"
#: A remark that a source was not consulted when its value was entered.
_REMARK = re.compile(r"[;,]? ?from memory( and a secondary page)?")
_EXTERNAL = "Results of external providers, not of the issuer's own method:"


def results(case: Case) -> Iterator[Section]:
    """Sections with the measured values, manual values, external results and conformity."""
    yield Section("Results", tuple(_results(case)), edge="bad" if case.of.reading.status == "no-result" else "")
    if case.of.corrections:
        rows = tuple(_correction(case, c) for c in case.of.corrections)
        yield Section(
            "Values entered manually",
            (
                Text(_BY_PERSON),
                DocumentTable("Values entered manually", ("Analyte", "Value", "Entered by", "Date", "Reason"), rows),
            ),
        )
    if case.laboratory:
        head = ("Analyte", "Value", "Standard uncertainty", "Sample taken", "Provider", "Report", "Method")
        yield Section("External results", (
            Text(_EXTERNAL), DocumentTable("External results", head, tuple(map(_external, case.laboratory)))))
    yield _conformity(case)


def _results(case: Case) -> Iterator[Block]:
    reading = case.of.reading.reading
    if reading.reason:
        yield Text(f"No result. {reading.reason}", "bad", strong=True)
    if reading.pads:
        yield DocumentTable("Results", ("Analyte", "Value", "Unit", "95 % interval", "Remark"),
                    tuple(map(_pad, reading.pads)))
        yield Text(_INTERVALS, "soft")
    if reading.flags:
        yield Bullets(tuple(f"{FLAGS[flag].words} {flag_detail(flag, reading)}".strip() for flag in reading.flags))


def _pad(pad: PadReading) -> tuple[Cell, ...]:
    cells_ = cells(pad)
    remark = " ".join((pad.reason, *(FLAGS[f].meaning for f in in_order(frozenset(pad.flags))))).strip()
    return row(cells_.name, number(cells_.value), cells_.unit, number(cells_.interval), remark)


def _correction(case: Case, c: Correction) -> tuple[Cell, ...]:
    own = " (own reading)" if c.own else ""
    return row(ANALYTES[c.analyte].name, number(format_estimate(c.estimate)), case.person(c.account) + own,
               number(f"{c.at:%Y-%m-%d}"), c.why)


def _external(result: LabResult) -> tuple[Cell, ...]:
    bound = "" if result.status == "measured" else f"{result.status} "
    return row(ANALYTES[result.analyte].name, number(f"{bound}{result.value:g} {result.unit}"),
               number("not stated" if result.u is None else f"{result.u:g}"), number(f"{result.taken:%Y-%m-%d}"),
               result.laboratory or "not stated", result.report or "-", result.method or "not stated")


def _conformity(case: Case) -> Section:
    if case.assessment is None:
        return Section("Conformity", (Text("No statement of conformity is made on these results."),))
    assessment = case.assessment.assessment
    sheet = assessment_sheet(assessment)
    head = ("Criterion", "Value (95 % interval)", "Permitted", "Probability of conformity", "Verdict")
    return Section(
        "Conformity",
        (
            *(Text(h.words, h.tone, strong=True) for h in sheet.headlines),
            _rule(case.assessment),
            DocumentTable("Conformity", head, tuple(map(_judged, sheet.judged))),
            Text("Sources of the limits:", "soft"),
            Bullets(tuple(dict.fromkeys(f"{j.name}: {_source(j.limit.source)}" for j in assessment.judgements))),
        ),
        edge=sheet.tone,
    )


def _source(stated: str) -> str:
    """Return the source of a limit for customers; its basis and remarks for developers are in the data files."""
    if stated.startswith(_UNPUBLISHED):
        return "laboratory-defined limit"
    return _REMARK.sub("", stated.replace(_UNPUBLISHED, "laboratory-defined")).replace(" ()", "")


def _rule(judged: StoredAssessment) -> Facts:
    """Equipment, limits and decision rule (ISO/IEC 17025:2017, 7.8.6)."""
    assessment, made = judged.assessment, judged.assessment.provenance
    return facts((
        ("Equipment", f"{assessment.equipment.name}, with the values of this report"), ("Limits", made.limits),
        ("Decision rule", made.rule), ("Assumptions", " ".join(a.why for a in assessment.assumptions)),
        ("Inputs", f"SHA-256 {made.inputs_sha256}, {made.draws} draws")))


def _judged(bar: Bar) -> tuple[Cell, ...]:
    return row(bar.name, number(f"{bar.value} ({bar.interval_text}) {bar.unit}".strip()), number(bar.limits),
               number(bar.conformity), Cell(bar.word, bar.tone))
