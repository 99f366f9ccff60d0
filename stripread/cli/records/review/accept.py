"""``stripread records review accept``."""

from __future__ import annotations

import click

from stripread.cli.records.review.desk import the_desk


@click.command()
@click.argument("reading")
@click.option("--why", default="", help="What you looked at, if it is worth keeping.")
def accept(reading: str, *, why: str) -> None:
    """The reading whose id is READING is sound."""
    the_desk().accept(reading, why)
    click.echo(f"{reading} accepted")
