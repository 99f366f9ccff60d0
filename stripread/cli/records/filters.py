"""The filters that `list` and `export` share."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import wraps
from typing import Any, Final

import click

from assess.decision import VERDICTS
from shared.flags import FLAGS
from stripread.store.lookup import resolve_id
from stripread.store.models.materials import Batch
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint, Site, SiteGroup
from stripread.store.reading_query import ReadingFilter
from stripread.store.review_status import STANDINGS
from stripread.store.store import Store

_DAY: Final = click.DateTime(["%Y-%m-%d"])
_PLACES: Final[dict[str, type[Record]]] = {"site": Site, "group": SiteGroup, "point": SamplingPoint, "batch": Batch}
_OPTIONS: Final = (
    *(click.option(f"--{name}", help=f"Only of this {words}: its id, the beginning of it, or its name.")
      for name, words in (("site", "site"), ("group", "group of sites"), ("point", "sampling point"))),
    click.option("--batch", help="Only read on a chart of this strip batch."),
    click.option("--since", type=_DAY, metavar="DAY", help="Sampled on this day (UTC) or later, as 2031-05-02."),
    click.option("--until", type=_DAY, metavar="DAY", help="Sampled on this day (UTC) or before."),
    click.option("--verdict", type=click.Choice(VERDICTS), help="Only those judged so for the machine."),
    click.option("--flag", type=click.Choice(list(FLAGS)), metavar="FLAG", help="Only with this flag."),
    click.option("--status", type=click.Choice(["read", "refused"]), help="Only read or only refused ones."),
    click.option("--state", type=click.Choice(["stands", "superseded", "any"]), default="stands", show_default=True,
                 help="Whether a later reading stands in its place."),
    click.option("--reviewed", type=click.Choice([*STANDINGS, "corrected"]), help="Only those that stand so."),
)


def filtered(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the filters as options; it takes them as a function from the store to what is wanted."""

    @wraps(command)
    def with_filters(**options: Any) -> Any:
        said = {name: options.pop(name) for name in (
            *_PLACES, "since", "until", "verdict", "flag", "status", "state", "reviewed")}
        return command(wanted=lambda store: _wanted(store, said), **options)

    for option in reversed(_OPTIONS):
        with_filters = option(with_filters)
    return with_filters


def _wanted(store: Store, said: dict[str, Any]) -> ReadingFilter:
    places = {name: said[name] and resolve_id(store, type_, said[name]) for name, type_ in _PLACES.items()}
    corrected = said["reviewed"] == "corrected"
    return ReadingFilter(
        **places, since=_start(said["since"]), until=_end(said["until"]), verdict=said["verdict"], flag=said["flag"],
        status=said["status"], state=None if said["state"] == "any" else said["state"],
        reviewed=None if corrected else said["reviewed"], corrected=corrected or None)


def _start(day: datetime | None) -> datetime | None:
    return day and day.replace(tzinfo=UTC)


def _end(day: datetime | None) -> datetime | None:
    return day and day.replace(tzinfo=UTC) + timedelta(days=1, microseconds=-1)
