"""How sites stand now: the latest reading that counts and was judged, of the water nearest to the machine."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

import msgspec
from sqlalchemy import select

from assess.assessment import Assessment
from assess.decision import Verdict
from stripread.monitoring.schedule.due import DueList
from stripread.monitoring.sites import Scope
from stripread.monitoring.valid_readings import is_valid_sql
from stripread.report.document.model import Document, DocumentTable, Section, Text, number, row
from stripread.store.models.evidence import StoredAssessment
from stripread.store.models.sites import NEAREST, SamplingPoint
from stripread.store.schema import LISTED
from stripread.store.settings import Issuer
from stripread.store.store import Store


def document(title: str, about: str, sections: Sequence[Section], at: datetime) -> Document:
    """A report of a day; the same words of the same day have the same id."""
    content = msgspec.json.encode((title, about, sections))
    return Document(id=f"{at:%Y%m%d}-{hashlib.sha256(content).hexdigest()[:6]}", title=title, about=about,
                    sections=tuple(sections))


def about(parts: Iterable[str | None], issuer: Issuer, at: datetime) -> str:
    """The line beneath the title: of what, as of when, by whom."""
    of = ", ".join(filter(None, parts))
    by = f" Issued by {issuer.name}." if issuer.name else ""
    return f"{of}{'. ' if of else ''}As of {at:%Y-%m-%d %H:%M %Z}.{by}"


def due_section(due: DueList, *, sites: bool) -> Section:
    """What is overdue and what comes; ``sites``: each with the name of its site."""
    title = f"Due until {due.until}"
    if not due.items:
        return Section(title, (Text("Nothing is due."),))
    head = ("On", *(("Site",) if sites else ()), "What", "Why")
    rows = tuple(row(number(f"{i.on}{' (overdue)' if i.on < due.today else ''}"), *((i.site_name,) if sites else ()),
                     i.what, i.why) for i in due.items)
    return Section(title, (DocumentTable(title, head, rows),), edge="open" if due.overdue else "")


class AssessedReading(NamedTuple):
    """A reading, the worst verdict on it, and the id of its current assessment."""

    reading: str
    site: str
    point: str
    sampled: str
    verdict: Verdict
    assessment: str


def nearest(store: Store, scope: Scope, points: Mapping[str, SamplingPoint]) -> dict[str, AssessedReading]:
    """By site: the latest judged reading that counts, of the point nearest to the machine that has one."""
    found: dict[str, AssessedReading] = {}
    for judged in _judged(store, scope):
        if judged.point not in points:
            continue
        there = found.get(judged.site)
        if there is None or _distance(points, judged) < _distance(points, there):
            found[judged.site] = judged
    return found


def assessment_of(store: Store, judged: AssessedReading) -> Assessment:
    """Return the current assessment of a reading."""
    return store.get(StoredAssessment, judged.assessment).assessment


def _judged(store: Store, scope: Scope) -> Iterator[AssessedReading]:
    """All judged readings that count, the latest first."""
    c = LISTED.c
    wanted = [*is_valid_sql(store.review), c.verdict.is_not(None)]
    wanted += [column == id_ for column, id_ in ((c.site, scope.site), (c.group, scope.group)) if id_ is not None]
    query = select(c.reading, c.site, c.point, c.sampled, c.verdict, c.assessment).where(*wanted)
    with store.viewing() as connection:
        rows = connection.execute(query.order_by(c.sampled.desc(), c.at.desc(), c.reading)).all()
    return (AssessedReading(*row) for row in rows)


def _distance(points: Mapping[str, SamplingPoint], judged: AssessedReading) -> int:
    return NEAREST.index(points[judged.point].place)
