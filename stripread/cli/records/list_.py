"""``stripread records list``: readings that are kept, found again."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Literal

import click
import msgspec

from shared.flags import FLAGS
from stripread.cli.records.store import the_store
from stripread.records.listing import Listed, Wanted, readings

_DAY = click.DateTime(["%Y-%m-%d"])


@click.command("list")
@click.option("--site", help="Only of this site (its id).")
@click.option("--since", type=_DAY, help="Read on this day (UTC) or later.")
@click.option("--until", type=_DAY, help="Read on this day (UTC) or before.")
@click.option("--flag", type=click.Choice(list(FLAGS)), metavar="FLAG", help="Only with this flag.")
@click.option("--status", type=click.Choice(["read", "refused"]), help="Only read or only refused ones.")
@click.option("--last", type=click.IntRange(min=1), metavar="N", help="Only the N latest of these.")
@click.option("--json", "as_json", is_flag=True, help="A JSON object a line.")
def list_(*, site: str | None, since: datetime | None, until: datetime | None, flag: str | None,
          status: Literal["read", "refused"] | None, last: int | None, as_json: bool) -> None:
    """Readings that stand (none superseded), latest first."""
    end = until and until.replace(tzinfo=UTC) + timedelta(days=1, microseconds=-1)
    wanted = Wanted(site=site, since=since and since.replace(tzinfo=UTC), until=end, flag=flag, status=status)
    for listed in readings(the_store(), wanted, last):
        click.echo(msgspec.json.encode(listed) if as_json else _line(listed))


def _line(listed: Listed) -> str:
    place = " ".join(filter(None, (listed.site, listed.point))) or "-"
    return "  ".join((listed.id, listed.at[:16], f"{listed.status:7}", place, listed.photo, " ".join(listed.flags)))
