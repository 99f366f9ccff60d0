"""One status per site: what status, schedule, reports and JSON state about each site of a store, compared."""

from __future__ import annotations

import json
from collections.abc import Iterator

import msgspec

from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import SiteStatus, overview, status_of
from stripread.report.document.model import DocumentTable
from stripread.report.sites.group import group_report
from stripread.report.sites.site import site_report
from stripread.store.settings import Settings
from stripread.store.store import Store

SETTINGS, INTERVALS = Settings(database="", photographs=""), load_intervals()


def disagreements(store: Store) -> list[str]:
    """Return what differs between the status of any site and what is stated about it elsewhere; empty if nothing."""
    sites = overview(store, INTERVALS, scope=Scope()).sites
    rows = {group: _group_rows(store, group) for group in {s.group for s in sites} if group is not None}
    return [f"{site.name}: {what}" for site in sites
            for what in (*_of_site(store, site), *_in_group(site, rows.get(site.group or "")))]


def _of_site(store: Store, site: SiteStatus) -> Iterator[str]:
    if status_of(store, INTERVALS, site.site) != site:
        yield "status of the site alone"
    due = due_list(store, INTERVALS, scope=Scope(site=site.site), weeks=1040).items
    if tuple(sorted(due, key=lambda item: item.rank)) != site.due:
        yield "schedule"
    if msgspec.convert(json.loads(msgspec.json.encode(site)), SiteStatus) != site:
        yield "JSON"
    report = msgspec.json.encode(site_report(store, SETTINGS, INTERVALS, site.site)).decode()
    if site.water is not None and site.next is not None:
        action = json.dumps(f"Next action, due {site.next.on}: {site.next.what} (", ensure_ascii=False)[1:-1]
        if action not in report:
            yield f"action in the report: {action}"
        if f"{site.water.on}, {site.water.name}" not in report:
            yield "headline of the report"


def _in_group(site: SiteStatus, rows: dict[str, list[str]] | None) -> Iterator[str]:
    if rows is not None and site.next is not None and site.water is not None:
        row = rows.get(site.name, [])
        if row[4:6] != [site.next.what, f"{site.next.on}"]:
            yield f"row of the group report: {row}"


def _group_rows(store: Store, group: str) -> dict[str, list[str]]:
    document = group_report(store, SETTINGS, INTERVALS, group)
    found = [s.blocks[0] for s in document.sections if s.title == "Site status"]
    if not found:  # No water of the group is assessed yet.
        return {}
    (table,) = found
    assert isinstance(table, DocumentTable)
    return {row[0].words: [cell.words for cell in row] for row in table.rows}
