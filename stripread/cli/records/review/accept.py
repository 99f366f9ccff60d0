"""``stripread records review accept``."""

from __future__ import annotations

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.records.review.desk import open_review, resolve_reading


@click.command()
@click.argument("reading")
@click.option("--why", default="", help="What you looked at, if it is worth keeping.")
@click.option("--json", "as_json", is_flag=True, help="The review as JSON.")
def accept(reading: str, *, why: str, as_json: bool) -> None:
    """The reading whose id is READING is sound."""
    desk = open_review()
    id_ = resolve_reading(desk, reading)
    kept = desk.accept(id_, why)
    echo(msgspec.json.encode(kept) if as_json else f"{id_} accepted")
