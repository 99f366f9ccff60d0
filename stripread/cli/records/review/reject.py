"""``stripread records review reject``."""

from __future__ import annotations

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.records.review.desk import open_review, resolve_reading
from stripread.review.session import FAULTS
from stripread.store.models.evidence import Fault


@click.command(epilog="FAULT: " + "; ".join(f"{fault} ({words})" for fault, words in FAULTS.items()) + ".")
@click.argument("reading")
@click.option("--fault", required=True, type=click.Choice(list(FAULTS)), metavar="FAULT",
              help=f"What is wrong, to be counted: {', '.join(FAULTS)}.")
@click.option("--why", required=True, help="The reason, kept with the reading.")
@click.option("--json", "as_json", is_flag=True, help="The review as JSON.")
def reject(reading: str, *, fault: Fault, why: str, as_json: bool) -> None:
    """The reading whose id is READING shall not count: not in lists, trends or verdicts. It stays kept."""
    desk = open_review()
    id_ = resolve_reading(desk, reading)
    kept = desk.reject(id_, fault, why)
    echo(msgspec.json.encode(kept) if as_json else f"{id_} rejected: {FAULTS[fault]}")
