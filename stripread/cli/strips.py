"""``stripread strips``: strip batches with their expiry dates, and tubes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime

import click
import msgspec

from shared.flags import FLAGS
from shared.strip import default_strip
from stripread.cli.commands import CommandGroup
from stripread.cli.options import DAY, json_lines_option, json_option
from stripread.cli.output import echo, echo_error
from stripread.cli.store import open_store_from_settings, store_and_account
from stripread.intake.materials_import import register_batch, register_tube
from stripread.store.chart_selection import chart_flags, chart_for, last_day
from stripread.store.errors import RecordsError
from stripread.store.lookup import list_some
from stripread.store.models.materials import Batch, StoredChart, Tube
from stripread.store.store import Store

_batch_option = click.option("--batch", required=True, metavar="BATCH", help="Batch of the tube, as on its label.")
_day_option = click.option("--on", "day", type=DAY, metavar="DAY", help="Day, such as 2031-05-02 [default: today].")


@click.group(cls=CommandGroup, examples=("stripread strips set-expiry 2026-A --expires 2031-05-02",))
def strips() -> None:
    """Record expiry dates of strip batches and the use of tubes.

    Readings of strips past their expiry date get the flag batch-expired. The date is that of the batch or, once a tube
    is open, that of the tube.
    """


@strips.command("list", examples=("stripread strips list", "stripread strips list 2026-A --json"))
@click.argument("batch", required=False)
@json_lines_option
def list_(batch: str | None, *, as_json: bool) -> None:
    """List strip batches with expiry date, tubes and chart.

    BATCH is the ID as printed on the label [default: all].
    """
    store = open_store_from_settings()
    batches = store.find(Batch) if batch is None else [_known(store, batch)]
    for one in batches:
        _report(store, one, as_json=as_json)
    if not batches:
        echo_error("no strip batches")


@strips.command("set-expiry", examples=("stripread strips set-expiry 2026-A --expires 2031-05-02 --keeps-days 90",))
@click.argument("batch")
@click.option("--expires", type=DAY, metavar="DAY", help="Expiry date printed on the tube, such as 2031-05-02.")
@click.option("--keeps-days", type=click.IntRange(1, 3650), metavar="N",
              help="Shelf life of a tube in days after it was opened.")
@click.option("--strip", metavar="NAME", help="Strip type of a new batch [default: the supplied type].")
@json_option
def set_expiry(batch: str, *, expires: datetime | None, keeps_days: int | None, strip: str | None,
               as_json: bool) -> None:
    """Record the expiry date and shelf life of BATCH.

    A batch that the store does not contain is created. Values that are not given remain unchanged.
    """
    if not (expires or keeps_days or strip):
        raise click.UsageError("give --expires, --keeps-days or --strip")
    stated = (strip, expires.date() if expires else None, keeps_days)
    store, account = store_and_account(lambda trial, by: _set(trial, by, batch, stated))
    _set(store, account, batch, stated)
    _report(store, store.get(Batch, batch), as_json=as_json)


def _set(store: Store, account: str, batch: str, stated: tuple[str | None, date | None, int | None]) -> None:
    strip, expires, keeps_days = stated
    known = next(iter(store.find(Batch, id=batch)), None) or Batch(id=batch, strip=strip or default_strip().name)
    register_batch(store, account, msgspec.structs.replace(
        known, strip=strip or known.strip, expires=expires or known.expires,
        keeps_days=keeps_days or known.keeps_days))


@strips.command("open", examples=("stripread strips open tube-12 --batch 2026-A",))
@click.argument("tube")
@_batch_option
@_day_option
@json_option
def open_(tube: str, *, batch: str, day: datetime | None, as_json: bool) -> None:
    """Record that TUBE of a batch was opened.

    A tube that the store does not contain is created.
    """
    _register(batch, tube, opened=day, as_json=as_json)


@strips.command(examples=("stripread strips finish tube-12 --batch 2026-A --on 2031-05-02",))
@click.argument("tube")
@_batch_option
@_day_option
@json_option
def finish(tube: str, *, batch: str, day: datetime | None, as_json: bool) -> None:
    """Record that TUBE of a batch is empty or was discarded."""
    _register(batch, tube, finished=day, as_json=as_json)


def _register(batch: str, tube: str, *, as_json: bool, **days: datetime | None) -> None:
    store, account = store_and_account()
    known = _known(store, batch)
    ((event, day),) = days.items()
    on = (day or store.clock()).date()
    register_tube(store, account, msgspec.structs.replace(Tube(id=tube, batch=batch), **{event: on}))
    _report(store, known, as_json=as_json)


def _known(store: Store, batch: str) -> Batch:
    """Return a batch. Raises RecordsError for an unknown one."""
    known = next(iter(store.find(Batch, id=batch)), None)
    if known is None:
        raise RecordsError("no such strip batch", where=store.where, found=batch, allowed=list_some(store.ids(Batch)),
                           remedy="create it with `stripread strips set-expiry`")
    return known


def _report(store: Store, batch: Batch, *, as_json: bool) -> None:
    tubes = store.find(Tube, batch=batch.id)
    if as_json:
        echo(msgspec.json.encode({"batch": batch, "tubes": tubes, "charts": store.ids(StoredChart, batch=batch.id)}))
        return
    echo("\n".join((*_batch_lines(batch), *(_tube_line(store, t) for t in tubes), *_chart_lines(store, batch))))


def _batch_lines(batch: Batch) -> Iterator[str]:
    yield f"batch {batch.id}, {batch.strip}"
    yield f"  expires {batch.expires}" if batch.expires else "  expiry date not recorded"
    if batch.keeps_days:
        yield f"  shelf life {batch.keeps_days} days once open"


def _tube_line(store: Store, tube: Tube) -> str:
    opened = f"opened {tube.opened}" if tube.opened else "not opened"
    ends = f"finished {tube.finished}" if tube.finished else f"use by {last_day(store, tube.batch, tube.id)}"
    return f"  tube {tube.id}: {opened}, {ends}"


def _chart_lines(store: Store, batch: Batch) -> Iterator[str]:
    if not store.ids(StoredChart, batch=batch.id):
        yield "  no chart registered: `stripread chart register CHART.json`"
        return
    now = store.clock()
    chart = chart_for(store, batch.id, now)
    yield f"  chart {chart.id[:12]}, made {chart.conditions.made}"
    yield from (f"  ! {flag}: {FLAGS[flag].words}" for flag in chart_flags(store, chart, now))
