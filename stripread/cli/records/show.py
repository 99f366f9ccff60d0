"""``stripread records show``: one reading, as it was made."""

from __future__ import annotations

import click
import msgspec

from stripread.cli.records.store import the_store
from stripread.cli.show import as_text
from stripread.records.kinds.evidence import StoredReading


@click.command()
@click.argument("reading")
@click.option("--json", "as_json", is_flag=True, help="The record as JSON.")
def show(reading: str, *, as_json: bool) -> None:
    """The reading whose id is READING, as it was made."""
    kept = the_store().get(StoredReading, reading)
    click.echo(msgspec.json.encode(kept) if as_json else as_text(kept.reading))
