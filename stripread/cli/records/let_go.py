"""``stripread records let-go``: the bytes of photographs whose time is over."""

from __future__ import annotations

from datetime import UTC, datetime

import click

from stripread.cli.progress import with_progress
from stripread.cli.records.store import store_and_account
from stripread.records.custody import let_go as go
from stripread.records.custody import received_before
from stripread.records.kinds.evidence import Photograph


@click.command("let-go")
@click.argument("photographs", nargs=-1, metavar="[PHOTOGRAPH]...")
@click.option("--before", type=click.DateTime(["%Y-%m-%d"]), help="All that were received before this day (UTC).")
@click.option("--why", required=True, help="On what grounds: it stands in the log.")
@click.option("--yes", is_flag=True, help="Do not ask.")
def let_go(photographs: tuple[str, ...], before: datetime | None, why: str, *, yes: bool) -> None:
    """Delete the bytes of each PHOTOGRAPH (its SHA-256) for good.

    Its record, readings and assessments stay, and the log says who let it go, when and why; it can then no longer be
    read again. Backups made before still hold the bytes.
    """
    if bool(photographs) == (before is not None):
        raise click.UsageError("name photographs, or a day with --before: one of both")
    store, who = store_and_account()
    ids = photographs if before is None else [p.id for p in received_before(store, before.replace(tzinfo=UTC))]
    for id_ in ids:
        store.get(Photograph, id_)
    if ids and not yes:
        click.confirm(f"Delete {_photographs(len(ids))} for good?", abort=True)
    for id_ in with_progress(ids, "letting go"):
        go(store, id_, by=who, why=why)
    click.echo(f"{_photographs(len(ids))} let go")


def _photographs(number: int) -> str:
    return "1 photograph" if number == 1 else f"{number} photographs"
