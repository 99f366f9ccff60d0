"""``stripread records review place``."""

from __future__ import annotations

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.placing import placed, placing
from stripread.cli.records.review.desk import open_review, resolve_reading
from stripread.cli.show import as_text
from stripread.review.manual_location import reread_with_manual_location as place_by_hand
from stripread.store.models.evidence import StoredReading
from stripread.store.models.materials import StoredChart


@click.command()
@click.argument("reading")
@placing
@click.option("--why", required=True, help="The reason, kept with the new reading.")
@click.option("--json", "as_json", is_flag=True, help="The new reading as JSON.")
def place(reading: str, *, corners: str | None, pads: tuple[str, ...], run: int | None, why: str,
          as_json: bool) -> None:
    """Read the photograph of READING again with card or pads where you place them.

    For hidden markers or a covered strip's end. The new reading stands in the place of the old one, says what was
    placed by hand, and waits for review; the old one stays. Where there still is no value, nothing is changed.
    """
    if corners is None and not pads:
        raise click.UsageError("place something: --corners or --pads")
    desk = open_review()
    id_ = resolve_reading(desk, reading)
    strip = desk.store.get(StoredChart, desk.store.get(StoredReading, id_).chart).chart.strip
    new = place_by_hand(desk, id_, placed(corners, pads, run, strip), why)
    if as_json:
        echo(msgspec.json.encode(new))
    else:
        echo(as_text(new.reading))
        echo(f"{new.id} stands in the place of {id_}")
