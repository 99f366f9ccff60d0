"""``stripread report``: reports on sites and groups, test reports on readings."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import msgspec

from stripread.cli.commands import CommandGroup
from stripread.cli.options import DAY, FILE, REASON, intervals_option, json_option
from stripread.cli.output import echo
from stripread.cli.store import account_of, open_store_from_settings
from stripread.report.document import PAPERS, write_document
from stripread.store.lookup import resolve_id
from stripread.store.settings import load_settings

if TYPE_CHECKING:
    from stripread.report.document.model import Document


def _written(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of what it writes."""
    for option in (json_option,
                   click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True,
                                help="Paper size of a PDF."),
                   click.option("-o", "--output", required=True, type=FILE, metavar="FILE",
                                help="File to write, ending in .pdf or .html.")):
        command = option(command)
    return command


@click.group(cls=CommandGroup, examples=("stripread report site limestone-hill -o limestone-hill.pdf",))
def report() -> None:
    """Write reports on sites, groups, months and claims; issue and amend test reports."""


@report.command(examples=("stripread report site limestone-hill -o limestone-hill.pdf",))
@click.argument("site")
@intervals_option
@_written
def site(site: str, *, intervals: Path | None, output: Path, paper: str, as_json: bool) -> None:
    """Write a report on SITE: status, trends, verdict, plan, evidence.

    SITE is an ID, a prefix of it, or a name.
    """
    from stripread.monitoring.schedule.intervals import load_intervals
    from stripread.report.sites.site import site_report
    from stripread.store.models.sites import Site

    store = open_store_from_settings()
    _write(output, site_report(store, load_settings(), load_intervals(intervals), resolve_id(store, Site, site)),
           paper, as_json=as_json)


@report.command(examples=("stripread report group hills -o hills.html",))
@click.argument("group")
@intervals_option
@_written
def group(group: str, *, intervals: Path | None, output: Path, paper: str, as_json: bool) -> None:
    """Write a report on a GROUP of sites: which are out of limits, what is due.

    GROUP is an ID, a prefix of it, or a name.
    """
    from stripread.monitoring.schedule.intervals import load_intervals
    from stripread.report.sites.group import group_report
    from stripread.store.models.sites import SiteGroup

    store = open_store_from_settings()
    _write(output, group_report(store, load_settings(), load_intervals(intervals),
                                resolve_id(store, SiteGroup, group)), paper, as_json=as_json)


@report.command(examples=("stripread report month 2031-05 --group hills -o may.pdf",))
@click.argument("month", type=click.DateTime(["%Y-%m"]), metavar="MONTH")
@click.option("--group", metavar="GROUP", help="Group of sites: its ID, a prefix or its name [default: all].")
@_written
def month(month: datetime, *, group: str | None, output: Path, paper: str, as_json: bool) -> None:
    """Write a report on MONTH, such as 2031-05: tests, changed verdicts, work, decisions."""
    from stripread.report.sites.group import month_report
    from stripread.store.models.sites import SiteGroup

    store = open_store_from_settings()
    _write(output, month_report(store, load_settings(), month, group and resolve_id(store, SiteGroup, group)), paper,
           as_json=as_json)


@report.command(examples=("stripread report claim limestone-hill/left --since 2031-01-12 -o claim.pdf",))
@click.argument("machine")
@click.option("--since", required=True, type=DAY, metavar="DAY", help="First day of the period (UTC).")
@click.option("--until", type=DAY, metavar="DAY", help="Last day of the period (UTC) [default: today].")
@_written
def claim(machine: str, *, since: datetime, until: datetime | None, output: Path, paper: str, as_json: bool) -> None:
    """Write the evidence for a claim on MACHINE: samples, scale and chloride, work, decisions, audit trail.

    The report states what was measured and done. It makes no statement on the cause of any damage.
    """
    from stripread.report.sites.group import Period, claim_report
    from stripread.store.models.sites import Machine

    store = open_store_from_settings()
    last = store.clock() if until is None else until.replace(tzinfo=UTC)
    period = Period(since.replace(tzinfo=UTC), last.replace(hour=0, minute=0, second=0, microsecond=0)
                    + timedelta(days=1))
    _write(output, claim_report(store, load_settings(), resolve_id(store, Machine, machine), period), paper,
           as_json=as_json)


@report.command(examples=("stripread report issue 3f2a91 -o test-report.pdf",))
@click.argument("reading")
@_written
def issue(reading: str, *, output: Path, paper: str, as_json: bool) -> None:
    """Issue the test report on READING, or write the issued report again.

    READING is an ID or a prefix of it. Issued reports are numbered and immutable. If the data have changed since, use
    `stripread report amend`.
    """
    _write(output, _test_report(reading, ""), paper, as_json=as_json)


@report.command(examples=('stripread report amend 3f2a91 --why "site corrected" -o amended.pdf',))
@click.argument("reading")
@click.option("--why", type=REASON, required=True, metavar="TEXT",
              help="Reason of the amendment, printed in the report.")
@_written
def amend(reading: str, *, why: str, output: Path, paper: str, as_json: bool) -> None:
    """Amend the issued test report on READING after its data changed.

    The amended report states what changed and why, and refers to the report that it replaces.
    """
    _write(output, _test_report(reading, why), paper, as_json=as_json)


def _test_report(reading: str, why: str) -> Document:
    from stripread.report.test_report.report import Issuing, audit_report
    from stripread.store.models.evidence import StoredReading

    store = open_store_from_settings()
    return audit_report(store, Issuing(load_settings(), account_of(store)), resolve_id(store, StoredReading, reading),
                        why)


def _write(output: Path, document: Document, paper: str, *, as_json: bool) -> None:
    write_document(output, document, paper)
    echo(msgspec.json.encode({"report": document.id, "file": str(output)}) if as_json else
         f"report {document.id} written to {output}")
