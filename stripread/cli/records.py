"""``stripread records``: what is kept, found again."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Literal

import click
import msgspec

from shared.flags import FLAGS
from stripread.cli.show import as_text
from stripread.records.kinds.evidence import StoredReading
from stripread.records.listing import Listed, Wanted, readings
from stripread.records.settings import load_settings
from stripread.records.store import Store, open_store

_json_option = click.option("--json", "as_json", is_flag=True, help="The answer as JSON; a list: a line each.")
_DAY = click.DateTime(["%Y-%m-%d"])


@click.group()
def records() -> None:
    """Readings that are kept: list and show them; the head of the log.

    Where they are kept: STRIPREAD_DATABASE and STRIPREAD_PHOTOGRAPHS, or a TOML file named by STRIPREAD_SETTINGS.
    """


def _store() -> Store:
    return open_store(load_settings())


@records.command("list")
@click.option("--site", help="Only of this site (its id).")
@click.option("--since", type=_DAY, help="Read on this day (UTC) or later.")
@click.option("--until", type=_DAY, help="Read on this day (UTC) or before.")
@click.option("--flag", type=click.Choice(list(FLAGS)), metavar="FLAG", help="Only with this flag.")
@click.option("--status", type=click.Choice(["read", "refused"]), help="Only read or only refused ones.")
@click.option("--last", type=click.IntRange(min=1), metavar="N", help="Only the N latest of these.")
@_json_option
def list_(*, site: str | None, since: datetime | None, until: datetime | None, flag: str | None,
          status: Literal["read", "refused"] | None, last: int | None, as_json: bool) -> None:
    """Readings that stand (none superseded), latest first."""
    end = until and until.replace(tzinfo=UTC) + timedelta(days=1, microseconds=-1)
    wanted = Wanted(site=site, since=since and since.replace(tzinfo=UTC), until=end, flag=flag, status=status)
    for listed in readings(_store(), wanted, last):
        click.echo(msgspec.json.encode(listed) if as_json else _line(listed))


def _line(listed: Listed) -> str:
    place = " ".join(filter(None, (listed.site, listed.point))) or "-"
    return "  ".join((listed.id, listed.at[:16], f"{listed.status:7}", place, listed.photo, " ".join(listed.flags)))


@records.command()
@click.argument("reading")
@_json_option
def show(reading: str, *, as_json: bool) -> None:
    """The reading whose id is READING, as it was made."""
    kept = _store().get(StoredReading, reading)
    click.echo(msgspec.json.encode(kept) if as_json else as_text(kept.reading))


@records.command()
@_json_option
def head(*, as_json: bool) -> None:
    """The log's head: keep it elsewhere; it binds every entry before it."""
    found = _store().head()
    click.echo(msgspec.json.encode(found) if as_json else f"{found.entries} entries, {found.hash}")
