"""``stripread records review correct``."""

from __future__ import annotations

import click
import msgspec

from assess.inputs.typed import typed_estimate
from shared.text import format_estimate
from stripread.cli.main import echo
from stripread.cli.records.review.desk import open_review, resolve_reading


@click.command()
@click.argument("reading")
@click.option("--value", required=True, metavar="ANALYTE=VALUE",
              help='Your value with its 95 % doubt and unit, as "hardness=95 ± 8 mg/L CaCO3".')
@click.option("--why", required=True, help="How you know, kept with the value.")
@click.option("--json", "as_json", is_flag=True, help="The value as JSON.")
def correct(reading: str, *, value: str, why: str, as_json: bool) -> None:
    """Set your own value beside one of the reading whose id is READING.

    What was read stays, and stays shown; trends and the state of a site take your value and say so.
    """
    analyte, _, text = value.partition("=")
    estimate, stated = typed_estimate(text, analyte.strip())
    if not stated:
        raise click.UsageError(f'--value needs its doubt: write it like "{analyte}=95 ± 8 ..."')
    desk = open_review()
    id_ = resolve_reading(desk, reading)
    kept = desk.correct(id_, estimate, why)
    echo(msgspec.json.encode(kept) if as_json else
               f"{id_}: {analyte} {format_estimate(estimate)} stands beside what was read")
