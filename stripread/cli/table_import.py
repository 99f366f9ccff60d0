"""Records from files: registration of charts, profiles, own limits and units; import of tables and whole records."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

import click
import msgspec

from stripread.cli.commands import ExampleCommand
from stripread.cli.output import echo, with_progress
from stripread.cli.show_changes import change_lines
from stripread.cli.store import begins, current_account, scratch, store_and_account
from stripread.exchange.csv_import import columns, records_of
from stripread.exchange.import_records import ImportResult, ParsedRecord, import_all
from stripread.exchange.jsonl import NO_ORIGINALS, Originals, import_photographs, records_in
from stripread.intake.materials_import import import_file
from stripread.intake.reassess import AssessmentChange, assess_all, assess_imported
from stripread.intake.terms import catalogue, own_terms
from stripread.store.models.record import counted
from stripread.store.settings import load_settings
from stripread.store.store import Store

#: Record types on which the assessment of a site's readings depends.
_ASSESSED: Final = ("machines", "units", "points", "services", "lab_results")
_TABLES: Final = (".csv", ".tsv", ".tab", ".txt")

table_files = click.argument("files", nargs=-1, required=True, metavar="FILE...",
                             type=click.Path(exists=True, dir_okay=False, path_type=Path))
dry_run_option = click.option("--dry-run", is_flag=True, help="Preview of the changes; nothing is written.")


class ImportCommand(ExampleCommand):
    """A command whose help lists the columns of tables."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the columns, then the examples."""
        with formatter.section("Columns of tables; those in parentheses are optional"):
            for line in columns():
                formatter.write_text(line)
        super().format_epilog(ctx, formatter)


def import_files(files: Sequence[Path], *, photographs: Originals = NO_ORIGINALS, dry_run: bool, as_json: bool) -> None:
    """Import tables and whole records atomically and report what is new and what changed."""
    came, changed = (_trial(files), []) if dry_run and begins() else _import(files, photographs, dry_run=dry_run)
    if as_json:
        echo(msgspec.json.encode({**msgspec.to_builtins(came), "reassessed": changed}))
    else:
        echo("\n".join((_report(came, dry_run=dry_run), *change_lines(changed))))


def _trial(files: Sequence[Path]) -> ImportResult:
    """Import into a scratch store, where no store exists yet."""
    with scratch() as trial:
        by = current_account(trial, load_settings(), lambda _: None)
        return import_all(trial, _records(trial, files, trial.clock()), by=by, why="trial", dry_run=True)


def _import(files: Sequence[Path], photographs: Originals, *, dry_run: bool
            ) -> tuple[ImportResult, list[AssessmentChange]]:
    store, by = store_and_account(lambda trial, account: import_all(
        trial, _records(trial, files, trial.clock()), by=account, why="trial"))
    now = store.clock()
    total = import_photographs(store, _records(store, files, now), photographs, dry_run=dry_run)
    # Parsed again rather than kept in memory: a file of years is larger than the memory of a small machine.
    records = (one for one, _ in zip(_records(store, files, now), with_progress(range(total), "Importing"),
                                        strict=True))
    came = import_all(store, records, by=by, why=", ".join(file.name for file in files), dry_run=dry_run)
    changed = [] if dry_run else _assessed(store, by, files, came)
    return came, changed


def _assessed(store: Store, by: str, files: Sequence[Path], came: ImportResult) -> list[AssessmentChange]:
    """Assess again what the tables affect; nothing where none of these records is new or changed."""
    if not any(kind in counts for kind in _ASSESSED for counts in (came.new, came.changed)):
        return []
    tables = [file for file in files if file.suffix.lower() in _TABLES]
    return assess_imported(store, by, (r.record for r in records_of(tables, store.clock(),
                                                                    catalogue(own_terms(store)))))


def _records(store: Store, files: Sequence[Path], now: datetime) -> Iterator[ParsedRecord]:
    tables = [file for file in files if file.suffix.lower() in _TABLES]
    yield from records_of(tables, now, catalogue(own_terms(store)))
    for file in files:
        if file not in tables:
            yield from records_in(file)


def _report(came: ImportResult, *, dry_run: bool) -> str:
    """Return the record types in their order of import, each with its count."""
    words = {"would be new": came.new, "would change": came.changed} if dry_run else {
        "new": came.new, "changed": came.changed}
    lines = [f"{word}: " + ", ".join(counted(kind, n) for kind, n in counts.items())
             for word, counts in {**words, "unchanged": came.same}.items() if counts]
    return "\n".join(lines) or "the files contain no records"


def register(files: Sequence[Path], *, as_json: bool) -> None:
    """Register files, whose type is detected from their content, and report each. A failure registers none."""
    store, account = store_and_account(lambda trial, by: [import_file(trial, by, file) for file in files])
    for file in files:
        made = import_file(store, account, file)
        changed = assess_all(store, account, f"{made.what} registered") if made.terms else []
        if as_json:
            echo(msgspec.json.encode({"file": str(file), "what": made.what, "new": made.new, "reassessed": changed}))
        else:
            echo("\n".join((f"{file}: {made.what} {'registered' if made.new else 'was already registered'}",
                            *change_lines(changed))))
