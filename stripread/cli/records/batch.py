"""``stripread records batch``: how long a batch of strips keeps, and its tubes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime

import click
import msgspec

from shared.flags import FLAGS
from shared.strip import default_strip
from stripread.cli.main import echo
from stripread.cli.records.store import store_and_account
from stripread.intake.materials_import import register_batch, register_tube
from stripread.store.chart_selection import chart_flags, chart_for, last_day
from stripread.store.errors import RecordsError
from stripread.store.lookup import list_some
from stripread.store.models.materials import Batch, StoredChart, Tube
from stripread.store.store import Store

_DAY = click.DateTime(["%Y-%m-%d"])


@click.command()
@click.argument("batch_id", metavar="BATCH")
@click.option("--strip", metavar="NAME", help="Strip type of a new batch, if not the one that comes with the program.")
@click.option("--expires", type=_DAY, metavar="DAY", help="The last day printed on the tube, as 2031-05-02.")
@click.option("--keeps-days", type=click.IntRange(1, 3650), metavar="N", help="Days that a tube keeps once open.")
@click.option("--tube", metavar="ID", help="One tube of the batch, new or known.")
@click.option("--opened", type=_DAY, metavar="DAY", help="With --tube: the day it was opened.")
@click.option("--finished", type=_DAY, metavar="DAY", help="With --tube: the day it was empty or thrown away.")
@click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
def batch(batch_id: str, *, strip: str | None, expires: datetime | None, keeps_days: int | None, tube: str | None,
          opened: datetime | None, finished: datetime | None, as_json: bool) -> None:
    """Say of BATCH, its id as on the label, how long its strips keep; what is said already stays.

    Readings of strips past their last day carry the flag batch-expired: that of the batch, or of the tube they came
    from once it was opened. Without options: tell what is known.
    """
    if tube is None and (opened or finished):
        raise click.UsageError("--opened and --finished are said of a tube: give --tube too")
    stated = _Stated(batch_id, strip, expires.date() if expires else None, keeps_days)
    of_tube = None if tube is None else Tube(id=tube, batch=batch_id, opened=opened.date() if opened else None,
                                             finished=finished.date() if finished else None)
    store, account = store_and_account(lambda trial, by: _store(trial, by, stated, of_tube))
    _store(store, account, stated, of_tube)
    _tell(store, batch_id, as_json=as_json)


@dataclass(frozen=True, slots=True)
class _Stated:
    """What the command states of a batch; None: nothing."""

    id: str
    strip: str | None
    expires: date | None
    keeps_days: int | None

    @property
    def anything(self) -> bool:
        return bool(self.strip or self.expires or self.keeps_days)


def _store(store: Store, account: str, stated: _Stated, tube: Tube | None) -> None:
    known = next(iter(store.find(Batch, id=stated.id)), None)
    if known is None and not stated.anything:
        raise RecordsError("no such batch", where=store.where, found=stated.id, allowed=list_some(store.ids(Batch)),
                           remedy="to create it, state how long its strips keep: --expires, --keeps-days, --strip")
    if stated.anything:
        batch = known or Batch(id=stated.id, strip=stated.strip or default_strip().name)
        register_batch(store, account, msgspec.structs.replace(
            batch, strip=stated.strip or batch.strip, expires=stated.expires or batch.expires,
            keeps_days=stated.keeps_days or batch.keeps_days))
    if tube is not None:
        register_tube(store, account, tube)


def _tell(store: Store, batch_id: str, *, as_json: bool) -> None:
    known, tubes = store.get(Batch, batch_id), store.find(Tube, batch=batch_id)
    if as_json:
        echo(msgspec.json.encode({"batch": known, "tubes": tubes, "charts": store.ids(
            StoredChart, batch=batch_id)}))
        return
    echo("\n".join((*_batch_lines(known), *(_tube_line(store, t) for t in tubes), *_chart_lines(store, known))))


def _batch_lines(batch: Batch) -> Iterator[str]:
    yield f"batch {batch.id}, {batch.strip}"
    yield f"  expires {batch.expires or 'on a day that nobody has said'}"
    if batch.keeps_days:
        yield f"  keeps {batch.keeps_days} days once open"


def _tube_line(store: Store, tube: Tube) -> str:
    opened = f"opened {tube.opened}" if tube.opened else "not opened"
    ends = f"finished {tube.finished}" if tube.finished else f"to be used until {last_day(store, tube.batch, tube.id)}"
    return f"  tube {tube.id}: {opened}, {ends}"


def _chart_lines(store: Store, batch: Batch) -> Iterator[str]:
    if not store.ids(StoredChart, batch=batch.id):
        yield "  no chart is kept yet: `stripread records keep CHART.json`"
        return
    now = store.clock()
    chart = chart_for(store, batch.id, now)
    yield f"  chart {chart.id[:12]}, made {chart.conditions.made}"
    yield from (f"  ! {flag}: {FLAGS[flag].words}" for flag in chart_flags(store, chart, now))
