"""Editions of a report: each is stored as issued; an amendment lists the changes and refers to the report it amends.

ISO/IEC 17025:2017, 7.8.8. Unchanged facts give the same edition again. A list states which reading and which report
each edition is on, without decoding the readings.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, select

from stripread.store.errors import RecordsError
from stripread.store.models.evidence import IssuedReport, StatedFact, StoredReading
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store

_READINGS, _REPORTS = RECORD_TYPES[StoredReading].table, RECORD_TYPES[IssuedReport].table
_NOTHING = "not stated"


@dataclass(frozen=True, slots=True)
class Edition:
    """Issued report, and the report that it amends."""

    report: IssuedReport
    before: IssuedReport | None

    @property
    def changes(self) -> tuple[tuple[str, str, str], ...]:
        """Changed facts: subject, text before, text now."""
        if self.before is None:
            return ()
        return tuple(_changes(self.before.facts, self.report.facts))


def issue(store: Store, account: str, draft: IssuedReport) -> Edition:
    """Store and return an edition of ``draft``, whose id and ``amends`` are set here.

    Raises RecordsError where it differs from the latest edition and no reason is given, or the reverse.
    """
    with store.viewing() as connection:
        last = _last(connection, draft.reading)
    before = None if last is None else store.get(IssuedReport, last)
    if before is not None and (before.reading, before.facts) == (draft.reading, draft.facts):
        if draft.why.strip():
            raise RecordsError("nothing has changed since this report was issued", where=f"report {before.id}",
                               remedy="correct the data first; without a reason, the issued report is written again")
        return Edition(before, None if before.amends is None else store.get(IssuedReport, before.amends))
    with store.writing(account) as work:
        report = IssuedReport(id=f"{work.now:%Y%m%d}-{secrets.token_hex(3)}", reading=draft.reading, at=work.now,
                              account=account, facts=draft.facts, amends=last, why=draft.why if before else "")
        made = Edition(report, before)
        if before is not None and not draft.why.strip():
            raise RecordsError("an amended report needs a reason", where=f"report {before.id}",
                               found="changed: " + "; ".join(_in_a_sentence(about) for about, _, _ in made.changes),
                               remedy="state the reason for the amendment (command line: --why)")
        work.put(report, "report issued", report.why)
    return made


def _in_a_sentence(heading: str) -> str:
    """Return a heading in lower case, except abbreviations."""
    return heading if heading[1:2].isupper() else heading[:1].lower() + heading[1:]


def _last(connection: Connection, reading: str) -> str | None:
    """Return the latest report on a reading or, without one, on the reading that it superseded, and so on."""
    r, current = _REPORTS.c, reading
    later = _REPORTS.alias("later")
    while current:
        latest = connection.scalar(select(r.id).where(
            r.reading == current, ~select(later.c.id).where(later.c.amends == r.id).exists()))
        if latest is not None:
            return str(latest)
        current = connection.scalar(select(_READINGS.c.supersedes).where(_READINGS.c.id == current)) or ""
    return None


def _changes(before: Iterable[StatedFact], now: Iterable[StatedFact]) -> Iterator[tuple[str, str, str]]:
    old, new = _by_name(before), _by_name(now)
    for name in dict.fromkeys((*old, *new)):
        if old.get(name) != new.get(name):
            yield name, old.get(name, _NOTHING), new.get(name, _NOTHING)


def _by_name(facts: Iterable[StatedFact]) -> dict[str, str]:
    """Facts by name; several facts of one name, such as reviews, are joined."""
    names: dict[str, str] = {}
    for fact in facts:
        names[fact.name] = f"{names[fact.name]} / {fact.words}" if fact.name in names else fact.words
    return names


_TABLE, _SITES, _POINTS = (RECORD_TYPES[kind].table for kind in (IssuedReport, Site, SamplingPoint))


@dataclass(frozen=True, slots=True)
class ReportRow:
    """An issued report; ``amended_by``: the id of the report that replaces it, None if it is the latest edition."""

    id: str
    at: datetime
    reading: str
    site_name: str | None
    point_name: str | None
    why: str
    amends: str | None
    amended_by: str | None


def issued_reports(store: Store, access: SiteAccess) -> list[ReportRow]:
    """Return the reports that an account may see, latest first."""
    r, i, later = _TABLE.c, READING_INDEX.c, _TABLE.alias("later")
    places = (_TABLE.join(BODIES, BODIES.c.sha256 == r.sha256).join(READING_INDEX, i.reading == r.reading)
              .outerjoin(_POINTS, _POINTS.c.id == i.point).outerjoin(_SITES, _SITES.c.id == i.site)
              .outerjoin(later, later.c.amends == r.id))
    query = (select(BODIES.c.body, _SITES.c.name.label("site_name"), _POINTS.c.name.label("point_name"),
                    later.c.id.label("amended_by"))
             .select_from(places).where(access.reading_sql()).order_by(r.at.desc(), r.id))
    with store.viewing() as connection:
        rows = connection.execute(query).all()
    return [_row(decode(IssuedReport, row.body), row.site_name, row.point_name, row.amended_by) for row in rows]


def _row(report: IssuedReport, site: str | None, point: str | None, amended_by: str | None) -> ReportRow:
    return ReportRow(report.id, report.at, report.reading, site, point, report.why, report.amends, amended_by)
