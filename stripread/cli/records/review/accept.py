"""``stripread records review accept``."""

from __future__ import annotations

import click

from stripread.cli.records.review.desk import the_desk, the_reading


@click.command()
@click.argument("reading")
@click.option("--why", default="", help="What you looked at, if it is worth keeping.")
def accept(reading: str, *, why: str) -> None:
    """The reading whose id is READING is sound."""
    desk = the_desk()
    id_ = the_reading(desk, reading)
    desk.accept(id_, why)
    click.echo(f"{id_} accepted")
