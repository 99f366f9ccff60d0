"""What reports on one site and on a group of sites have in common: document, subtitle, maintenance due."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from datetime import datetime

import msgspec

from stripread.monitoring.schedule.due import DueList
from stripread.report.document.model import Document, DocumentTable, Section, Text, number, row
from stripread.store.settings import Issuer


def document(title: str, about: str, sections: Sequence[Section], at: datetime) -> Document:
    """Return the report of a day; equal content of the same day has the same id."""
    content = msgspec.json.encode((title, about, sections))
    return Document(id=f"{at:%Y%m%d}-{hashlib.sha256(content).hexdigest()[:6]}", title=title, about=about,
                    sections=tuple(sections))


def about(parts: Iterable[str | None], issuer: Issuer, at: datetime) -> str:
    """Return the subtitle: subject, date and issuer."""
    of = ", ".join(filter(None, parts))
    by = f" Issued by {issuer.name}." if issuer.name else ""
    return f"{of}{'. ' if of else ''}As of {at:%Y-%m-%d %H:%M %Z}.{by}"


def due_section(due: DueList, *, sites: bool) -> Section:
    """Section with overdue and planned maintenance; ``sites``: each item with the name of its site."""
    title = f"Due until {due.until}"
    if not due.items:
        return Section(title, (Text("Nothing is due."),))
    head = ("Date", *(("Site",) if sites else ()), "Action", "Reason")
    rows = tuple(row(number(f"{i.on}{' (overdue)' if i.on < due.today else ''}"), *((i.site_name,) if sites else ()),
                     i.what, i.why) for i in due.items)
    return Section(title, (DocumentTable(title, head, rows),), edge="open" if due.overdue else "")
