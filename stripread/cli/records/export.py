"""``stripread records export``: readings for other programs, or whole records for another store."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

import click

from shared.atomic_files import atomic_file
from shared.errors import FileError
from stripread.cli.main import echo
from stripread.cli.records.filters import filtered
from stripread.cli.records.store import open_store_from_settings
from stripread.exchange.jsonl_export import copy_photographs, lines
from stripread.exchange.readings_table import ReadingsTable, as_csv, as_json_lines, as_parquet, readings_table
from stripread.store.photos import open_photographs
from stripread.store.reading_query import ReadingFilter, readings
from stripread.store.store import Store

_TABLES: Final[dict[str, Callable[[ReadingsTable], bytes]]] = {
    "csv": as_csv,
    "json": as_json_lines,
    "parquet": as_parquet,
}


@click.command()
@filtered
@click.option("--last", type=click.IntRange(min=1), metavar="N", help="Only the N latest of these.")
@click.option("--format", "form", type=click.Choice([*_TABLES, "records"]), default="csv", show_default=True,
              help="A table (csv, json: JSON lines, parquet), or whole records for `records import`.")
@click.option("--output", "-o", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
              help="Where to; else standard output.")
@click.option("--names", is_flag=True, help="In tables also the names of the persons who read.")
@click.option("--photographs", metavar="FOLDER", help="With whole records: put the original photographs there, with "
              "all that is in them, also where they were taken.")
def export(*, wanted: Callable[[Store], ReadingFilter], last: int | None, form: str, output: Path | None, names: bool,
           photographs: str | None) -> None:
    """Readings as a table: a row a reading, units in the header, values with their 95 % intervals; or whole records.

    Persons go as pseudonymous ids and nothing tells where a photograph was taken, unless you ask for it.
    """
    if form != "records" and photographs:
        raise click.UsageError("--photographs goes with --format records")
    if form == "records" and names:
        raise click.UsageError("names go with tables only")
    store = open_store_from_settings()
    if form != "records":
        table = readings_table(store, wanted(store), limit=last, names=names)
        _write(output, [_TABLES[form](table)])
        _tell(output, f"{len(table.rows)} {'reading' if len(table.rows) == 1 else 'readings'} in {output}")
        return
    chosen = _chosen(store, wanted(store), last)
    _write(output, (line + b"\n" for line in lines(store, chosen)))
    along = copy_photographs(store, open_photographs(photographs), chosen) if photographs else 0
    _tell(output, f"whole records in {output}" + (f", {along} photographs in {photographs}" if photographs else ""))


def _tell(output: Path | None, message: str) -> None:
    """On the terminal, unless that is where the export itself went."""
    if output:
        echo(message)


def _chosen(store: Store, wanted: ReadingFilter, last: int | None) -> list[str] | None:
    """Ids of the readings; None where no filter is given: everything, also what no reading rests on."""
    if last is None and wanted == ReadingFilter():
        return None
    return [listed.id for listed in readings(store, wanted, last)]


def _write(output: Path | None, chunks: Iterable[bytes]) -> None:
    """Into a file under its name only once it is whole; into a pipe as it comes."""
    if output is None:
        for chunk in chunks:
            click.echo(chunk, nl=False)
        return
    try:
        piped = output.exists() and not output.is_file()
        with output.open("wb") if piped else atomic_file(output) as file:
            file.writelines(chunks)
    except OSError as error:
        raise FileError("the file cannot be written", where=str(output), found=error.strerror or str(error)) from error
