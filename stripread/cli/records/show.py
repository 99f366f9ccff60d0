"""``stripread records show``: all that is kept about one reading."""

from __future__ import annotations

import click
import msgspec

from stripread.cli.main import tell
from stripread.cli.records.store import the_store
from stripread.cli.show_dossier import dossier_text
from stripread.store.lookup import full_id
from stripread.store.models.evidence import StoredReading
from stripread.store.reading_history import dossier


@click.command()
@click.argument("reading")
@click.option("--json", "as_json", is_flag=True, help="All of it as JSON.")
def show(reading: str, *, as_json: bool) -> None:
    """The reading whose id (or the beginning of it) is READING, with all that it rests on.

    Its values, place, photograph, chart and that chart's state, verdicts, reviews and corrections, what stands in its
    place, and every entry of the log about these. Times in UTC.
    """
    store = the_store()
    found = dossier(store, full_id(store, StoredReading, reading))
    tell(msgspec.json.encode(found) if as_json else dossier_text(found))
