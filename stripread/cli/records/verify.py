"""``stripread records verify``: database, log and photographs checked against each other."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from shared.files import read_json
from stripread.cli.main import DONE, WRONG, echo, echo_error
from stripread.cli.progress import with_progress
from stripread.cli.records.store import open_store_from_settings
from stripread.store.audit_trail import Checkpoint
from stripread.store.integrity import verify_store as check


@click.command()
@click.option("--head", type=click.Path(path_type=Path), metavar="FILE.json",
              help="A head exported before (records head --json): nothing up to it was cut or changed.")
@click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
def verify(*, head: Path | None, as_json: bool) -> int:
    """Check database, log and photographs against each other, and name the first thing that is wrong.

    Nothing is written, so that a store on a read-only medium is verified in place.
    """
    found = check(open_store_from_settings(), None if head is None else read_json(head, Checkpoint), with_progress)
    if as_json:
        echo(msgspec.json.encode(found))
    else:
        for note in found.notes:
            echo_error(note)
        echo(f"{found.records} records, {found.photographs} photographs, {found.head.entries} entries of the log")
        echo(found.wrong or "all is as the log says")
    return WRONG if found.wrong else DONE
