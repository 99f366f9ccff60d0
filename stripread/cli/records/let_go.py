"""``stripread records let-go``: the bytes of photographs whose time is over."""

from __future__ import annotations

from datetime import UTC, datetime

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.progress import with_progress
from stripread.cli.records.store import store_and_account
from stripread.intake.process import without_reading
from stripread.intake.retention import delete_photo as go
from stripread.intake.retention import received_before
from stripread.store.chart_selection import LEAST_DIGITS
from stripread.store.lookup import resolve_id
from stripread.store.models.evidence import Photograph
from stripread.store.store import Store


@click.command("let-go")
@click.argument("photographs", nargs=-1, metavar="[PHOTOGRAPH]...")
@click.option("--before", type=click.DateTime(["%Y-%m-%d"]), metavar="DAY",
              help="All that were received before this day (UTC), as 2031-05-02.")
@click.option("--why", required=True, help="On what grounds: it stands in the log.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option("--json", "as_json", is_flag=True, help="Those let go, as JSON.")
def let_go(photographs: tuple[str, ...], before: datetime | None, why: str, *, yes: bool, as_json: bool) -> None:
    """Delete the bytes of each PHOTOGRAPH (its SHA-256, or the beginning of it) for good.

    Its record, readings and assessments stay, and the log says who let it go, when and why; it can then no longer be
    read again. A backup still holds the bytes until `stripread records backup` brings it up to date.
    """
    if bool(photographs) == (before is not None):
        raise click.UsageError("name photographs, or a day with --before: one of both")
    if any(len(named) < LEAST_DIGITS for named in photographs):
        raise click.UsageError(f"of a photograph's SHA-256 give {LEAST_DIGITS} digits or more")
    store, who = store_and_account()
    ids = [resolve_id(store, Photograph, named) for named in photographs] if before is None else [
        p.id for p in received_before(store, before.replace(tzinfo=UTC))]
    if ids and not yes:
        click.confirm(f"Delete {_photographs(len(ids))}{_never_read(store, ids)} for good?", abort=True, err=True)
    for id_ in with_progress(ids, "letting go"):
        go(store, id_, by=who, why=why)
    echo(msgspec.json.encode({"let_go": ids}) if as_json else f"{_photographs(len(ids))} let go")


def _photographs(number: int) -> str:
    return "1 photograph" if number == 1 else f"{number} photographs"


def _never_read(store: Store, ids: list[str]) -> str:
    """How many of them would go without having told anything."""
    number = len({p.id for p in without_reading(store)} & {*ids})
    return f" ({number} of them never read)" if number else ""
