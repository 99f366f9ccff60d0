"""``stripread records report``: what is kept, written for somebody else to read."""

from __future__ import annotations

from pathlib import Path

import click

from stripread.cli.records.store import the_store
from stripread.records.acting import acting
from stripread.records.finding import full_id
from stripread.records.kinds.evidence import StoredReading
from stripread.records.settings import load_settings
from stripread.report.document import PAPERS, write_document


@click.command()
@click.option("--reading", required=True, help="Of one reading (its id): a test report for an auditor.")
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path),
              metavar="FILE.pdf|FILE.html", help="Where to write it; the ending says how.")
@click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Paper of a PDF.")
@click.option("--why", default="", help="Why a report that went out before is amended.")
def report(*, reading: str, output: Path, paper: str, why: str) -> None:
    """Write a report as a page or on paper.

    A test report is kept as it is issued. Ask again and the same is written again, under the same number; once
    something changed it is an amended report, which says what changed and why, and points to the one before.
    """
    from stripread.report.audit.report import audit_report

    store, settings = the_store(), load_settings()
    document = audit_report(store, settings, acting(store, settings), full_id(store, StoredReading, reading), why)
    write_document(output, document, paper)
    click.echo(f"report {document.id} written to {output}")
