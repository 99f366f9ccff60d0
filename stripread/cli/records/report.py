"""``stripread records report``: what is kept, written for somebody else to read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.records.store import open_store_from_settings
from stripread.report.document import PAPERS, write_document
from stripread.store.lookup import resolve_id
from stripread.store.settings import load_settings

if TYPE_CHECKING:
    from stripread.report.document.model import Document
    from stripread.store.settings import Settings
    from stripread.store.store import Store


@click.command()
@click.option("--site", help="On one site: state, trends, verdict, plan, evidence.")
@click.option("--group", help="On a group of sites: which are out, what is due.")
@click.option("--reading", help="On one reading: a test report for an auditor.")
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path),
              metavar="FILE.pdf|FILE.html", help="Where to write it; the ending says how.")
@click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Paper of a PDF.")
@click.option("--why", default="", help="With --reading: why a report that went out before is amended.")
@click.option("--intervals", type=click.Path(path_type=Path), envvar="STRIPREAD_INTERVALS", metavar="FILE.toml",
              help="How often things are due, in place of the intervals that come with the program.")
@click.option("--json", "as_json", is_flag=True, help="Its number and file as JSON.")
def report(*, site: str | None, group: str | None, reading: str | None, output: Path, paper: str, why: str,
           intervals: Path | None, as_json: bool) -> None:
    """Write a report on a site, a group or a reading (by id, its beginning, or the name) as a page or on paper.

    A test report on a reading is kept as it is issued. Ask again and the same is written again, under the same number;
    once something changed it is an amended report, which says what changed and why, and points to the one before.
    """
    if sum(x is not None for x in (site, group, reading)) != 1:
        raise click.UsageError("name one of --site, --group and --reading")
    if why and reading is None:
        raise click.UsageError("--why says why a test report is amended: give --reading too")
    store, settings = open_store_from_settings(), load_settings()
    if reading is not None:
        document = _on_reading(store, settings, reading, why)
    else:
        document = _on_places(store, settings, (site, group), intervals)
    write_document(output, document, paper)
    echo(msgspec.json.encode({"report": document.id, "file": str(output)}) if as_json else
               f"report {document.id} written to {output}")


def _on_reading(store: Store, settings: Settings, reading: str, why: str) -> Document:
    from stripread.report.test_report.report import Issuing, audit_report
    from stripread.store.current_account import current_account
    from stripread.store.models.evidence import StoredReading

    return audit_report(
        store, Issuing(settings, current_account(store, settings)), resolve_id(store, StoredReading, reading), why
    )


def _on_places(store: Store, settings: Settings, named: tuple[str | None, str | None],
               intervals: Path | None) -> Document:
    from stripread.monitoring.schedule.intervals import load_intervals
    from stripread.report.sites.group import group_report
    from stripread.report.sites.site import site_report
    from stripread.store.models.sites import Site, SiteGroup

    (site, group), often = named, load_intervals(intervals)
    if site is not None:
        return site_report(store, settings, often, resolve_id(store, Site, site))
    return group_report(store, settings, often, resolve_id(store, SiteGroup, group or ""))
