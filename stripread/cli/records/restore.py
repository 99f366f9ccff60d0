"""``stripread records restore``: a backup into a new store."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.progress import with_progress
from stripread.store.backup.restore import restore as restore_backup
from stripread.store.settings import load_settings


@click.command()
@click.argument("from_", metavar="FROM", type=click.Path(file_okay=False, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="What the backup held, as JSON.")
def restore(from_: Path, *, as_json: bool) -> None:
    """Fill the store that the settings name, which must hold nothing, from the backup in the folder FROM.

    The database may be of another kind than the one it came from. All is checked against the log before it counts.
    Nobody is signed in afterwards.
    """
    settings = load_settings()
    manifest = restore_backup(from_, settings, with_progress)
    head = manifest.head
    echo(msgspec.json.encode(manifest) if as_json else
         f"restored and checked; the log ends with entry {head.entries}, {head.hash}")
