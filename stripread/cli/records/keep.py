"""``stripread records keep``: charts and profiles into the store."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from stripread.cli.main import echo, echo_error
from stripread.cli.records.store import store_and_account
from stripread.intake.materials_import import import_file
from stripread.intake.terms import reassess


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(dir_okay=False, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="A JSON object a file.")
def keep(files: tuple[Path, ...], *, as_json: bool) -> None:
    """Keep what readings are made with, so that nobody has to name FILES again.

    A chart (JSON) is kept with the release files beside it, under its batch; the measured profile of a print run
    (CGATS.17) under its run. What a file is shows in what it contains. What is stored already is not changed.

    Own limits and own treatment units with their prices (TOML) are used for every reading from then on: current
    readings are assessed again, and their earlier assessments are retained. Machine profiles (TOML) come with the
    table of machines: `stripread records import`.
    """
    store, account = store_and_account(lambda trial, by: [import_file(trial, by, file) for file in files])
    for file in files:
        kept = import_file(store, account, file)
        if kept.terms:
            again = sum(1 for _ in reassess(store, account, f"{kept.what} registered"))
            echo_error(f"{again} readings are assessed again; their earlier assessments are retained")
        if as_json:
            echo(msgspec.json.encode({"file": str(file), "what": kept.what, "new": kept.new}))
        else:
            echo(f"{file}: {kept.what}{'' if kept.new else ', which was there already'}")
