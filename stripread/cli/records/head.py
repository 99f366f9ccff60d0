"""``stripread records head``: what binds the log so far."""

from __future__ import annotations

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.records.store import open_store_from_settings


@click.command()
@click.option("--json", "as_json", is_flag=True, help="The head as JSON, as `records verify --head` takes it.")
def head(*, as_json: bool) -> None:
    """The log's head: keep it elsewhere; it binds every entry before it."""
    found = open_store_from_settings().head()
    echo(msgspec.json.encode(found) if as_json else f"{found.entries} entries, {found.hash}")
