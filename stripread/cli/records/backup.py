"""``stripread records backup``: a copy of everything, made while it is in use."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.progress import with_progress
from stripread.cli.records.store import open_store_from_settings
from stripread.store.backup.make import BackupResult, back_up


@click.command()
@click.argument("to", type=click.Path(file_okay=False, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="What was kept as JSON.")
def backup(to: Path, *, as_json: bool) -> None:
    """Keep a copy of everything in the folder TO, while the store is in use.

    TO may hold a backup of this store from before: then only new photographs are copied, and those that were let go
    since are let go there too. Until the new one is complete, the old one stays. Keep TO on another disk, and copies
    of it from several days elsewhere, where nobody else can read them: names of persons are in them.
    """
    kept = back_up(open_store_from_settings(), to, with_progress)
    echo(msgspec.json.encode(kept) if as_json else _told(kept, to))


def _told(kept: BackupResult, to: Path) -> str:
    head = kept.manifest.head
    forgotten = f", {kept.forgotten} let go" if kept.forgotten else ""
    return (f"{to}: {sum(kept.manifest.rows.values())} rows, {kept.photographs} photographs ({kept.copied} new"
            f"{forgotten}); the log ends with entry {head.entries}, {head.hash}")
