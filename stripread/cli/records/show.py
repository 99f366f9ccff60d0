"""``stripread records show``: all that is kept about one reading."""

from __future__ import annotations

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.records.store import open_store_from_settings
from stripread.cli.show_dossier import dossier_text
from stripread.store.lookup import resolve_id
from stripread.store.models.evidence import StoredReading
from stripread.store.reading_history import load_history


@click.command()
@click.argument("reading")
@click.option("--json", "as_json", is_flag=True, help="All of it as JSON.")
def show(reading: str, *, as_json: bool) -> None:
    """The reading whose id (or the beginning of it) is READING, with all that it rests on.

    Its values, place, photograph, chart and that chart's state, verdicts, reviews and corrections, what stands in its
    place, and every entry of the log about these. Times in UTC.
    """
    store = open_store_from_settings()
    found = load_history(store, resolve_id(store, StoredReading, reading))
    echo(msgspec.json.encode(found) if as_json else dossier_text(found))
