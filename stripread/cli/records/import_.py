"""``stripread records import``: what another store exported, and tables that people wrote."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.progress import with_progress
from stripread.cli.records.store import begins, scratch, store_and_account
from stripread.exchange.csv_import import columns, records_of
from stripread.exchange.import_records import ImportResult, ParsedRecord, import_all
from stripread.exchange.jsonl_import import import_photographs, records_in
from stripread.intake.terms import catalogue, own_terms
from stripread.store.current_account import current_account
from stripread.store.settings import load_settings
from stripread.store.store import Store

_TABLES: Final = (".csv", ".tsv", ".tab", ".txt")


@click.command("import", epilog="\b\nColumns of tables; those in parentheses may be left out:\n" + "\n".join(
    f"  {line}" for line in columns()))
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path),
                metavar="FILE...")
@click.option("--photographs", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="FOLDER",
              help="Where the original photographs of whole records lie; found by their hash, whatever their names.")
@click.option("--dry-run", is_flag=True, help="Only tell what would change.")
@click.option("--json", "as_json", is_flag=True, help="What came, as JSON.")
def import_(*, files: Sequence[Path], photographs: Path | None, dry_run: bool, as_json: bool) -> None:
    """Take in whole records (as `records export --format records` writes them) or CSV tables: all or nothing.

    The first column of a table says what its rows are: group, site, machine, treatment unit, sampling point, batch,
    tube, card or phone, by an id of your own; or taken, for laboratory results. An empty cell
    empties what is kept; what a table has no column for stays. What differs is changed, and the log keeps both.
    """
    if dry_run and begins():
        with scratch() as trial:
            by = current_account(trial, load_settings(), lambda _: None)
            came = import_all(trial, _found(trial, files, trial.clock()), by=by, why="trial", dry_run=True)
        echo(msgspec.json.encode(came) if as_json else _told(came, dry_run=True))
        return
    store, by = store_and_account(lambda trial, who: import_all(
        trial, _found(trial, files, trial.clock()), by=who, why="trial"))
    now = store.clock()
    total = import_photographs(store, _found(store, files, now), photographs, dry_run=dry_run)
    # Read again rather than held: a file of years is larger than the memory of a small machine.
    found = (one for one, _ in zip(_found(store, files, now), with_progress(range(total), "records"), strict=True))
    came = import_all(store, found, by=by, why=", ".join(file.name for file in files), dry_run=dry_run)
    echo(msgspec.json.encode(came) if as_json else _told(came, dry_run=dry_run))


def _found(store: Store, files: Sequence[Path], now: datetime) -> Iterator[ParsedRecord]:
    tables = [file for file in files if file.suffix.lower() in _TABLES]
    yield from records_of(tables, now, catalogue(own_terms(store)))
    for file in files:
        if file not in tables:
            yield from records_in(file)


def _told(came: ImportResult, *, dry_run: bool) -> str:
    """Kinds in the order in which they came, each with how many."""
    words = {"would be new": came.new, "would be changed": came.changed} if dry_run else {
        "new": came.new, "changed": came.changed}
    told = [f"{word}: " + ", ".join(f"{kind.replace('_', ' ')} {n}" for kind, n in counts.items())
            for word, counts in {**words, "here already just so": came.same}.items() if counts]
    return "\n".join(told) or "nothing in there"
