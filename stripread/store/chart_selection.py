"""Selection of the chart of a strip batch and of card profiles from the store, with their release status."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime

from sqlalchemy import select

from calibration.chart import Chart
from calibration.release import Release, state_of, usable
from shared.card import CardLayout
from shared.errors import MismatchError
from shared.profile import PrintProfile, profile_of
from stripread.store.errors import RecordsError
from stripread.store.lookup import list_some
from stripread.store.models.materials import Batch, PrintRun, StoredChart, StoredRelease, Tube
from stripread.store.models.record import stamp
from stripread.store.schema import BODIES, RECORD_TYPES, decode
from stripread.store.store import Store

#: Remedy for a chart or card profile that is not registered.
REGISTER = "register it with `stripread chart register FILE`"
#: Minimum length of an abbreviated hash.
LEAST_DIGITS = 6


def chart_for(store: Store, batch: str, now: datetime) -> Chart:
    """Return the newest chart of a batch that is released and valid now; without one, the newest of all.

    `chart_flags` reports a chart that is not released. Raises RecordsError if the batch has no chart.
    """
    charts = store.find(StoredChart, batch=batch)
    if not charts:
        raise RecordsError("no calibration chart for this batch", where=store.where, found=f"batch {batch}",
                           allowed=list_some(batches_with_charts(store)), remedy=REGISTER)
    return preferred(charts, [r for stored in charts for r in releases(store, stored.id)], now).chart


def preferred(charts: Sequence[StoredChart], made: Sequence[Release], now: datetime) -> StoredChart:
    """Return the newest of some charts that the releases ``made`` allow now; without one, the newest of all."""
    released = [stored for stored in charts if usable(state_of(stored.id, made, now=now))]
    return max(released or charts, key=lambda stored: (stored.chart.conditions.made, stored.at))


def previous_chart(store: Store, stored: StoredChart) -> StoredChart | None:
    """Return the chart of another batch that was registered last before a chart; None if there is none."""
    table = RECORD_TYPES[StoredChart].table
    query = (select(BODIES.c.body).join(table, table.c.sha256 == BODIES.c.sha256)
             .where(table.c.batch != stored.batch, table.c.at <= stamp(stored.at)).order_by(table.c.at.desc()).limit(1))
    with store.viewing() as connection:
        body = connection.scalar(query)
    return None if body is None else decode(StoredChart, body)


def find_chart(store: Store, name: str, now: datetime) -> Chart | None:
    """Return the chart whose hash begins with ``name``, else that of the batch ``name`` (`chart_for`), else None."""
    begins = [i for i in store.ids(StoredChart) if len(name) >= LEAST_DIGITS and i.startswith(name)]
    if len(begins) > 1:
        raise RecordsError("several charts have this prefix", where=store.where, found=name, allowed=", ".join(begins))
    if begins:
        return store.get(StoredChart, begins[0]).chart
    return chart_for(store, name, now) if name in batches_with_charts(store) else None


def batches_with_charts(store: Store) -> list[str]:
    """Return the ids of the batches that have a chart."""
    return [b for b in store.ids(Batch) if store.ids(StoredChart, batch=b)]


def releases(store: Store, chart: str) -> tuple[Release, ...]:
    """Return the releases and withdrawals of a chart, oldest first."""
    return tuple(sorted((s.release() for s in store.find(StoredRelease, chart=chart)), key=lambda r: r.when))


def profiles(store: Store, card: CardLayout) -> tuple[PrintProfile, ...]:
    """Return the latest profile of each print run of this card; profiles of other cards are skipped."""
    newest = {stored.run: stored for stored in sorted(store.find(PrintRun), key=lambda stored: stored.at)}
    return tuple(_fitting((profile_of(stored.text, f"print run {run}") for run, stored in newest.items()), card))


def _fitting(measured: Iterator[PrintProfile], card: CardLayout) -> Iterator[PrintProfile]:
    for profile in measured:
        try:
            profile.check_against(card)
        except MismatchError:
            continue
        yield profile


def chart_flags(store: Store, chart: Chart, now: datetime, *, tube: str | None = None,
          used: date | None = None) -> tuple[str, ...]:
    """Return the flags for a reading made ``now``: on the chart's release, and on strips expired when ``used``.

    ``tube``: the strips' tube [default: the only tube in use, if there is exactly one]. ``used``: [default: today].
    """
    last = last_day(store, chart.batch, tube)
    old = last is not None and (used or now.date()) > last
    return (*state_of(chart.id, releases(store, chart.id), now=now), *(("batch-expired",) if old else ()))


def last_day(store: Store, batch: str, tube: str | None = None) -> date | None:
    """Return the last day on which strips of this tube may be used; None if it is not recorded."""
    recorded = next(iter(store.find(Batch, id=batch)), None)
    if recorded is None:
        return None
    named = tube or tube_in_use(store, batch)
    opened = Tube(id="-", batch=batch) if named is None else store.get(Tube, named)
    return opened.last_day(recorded)


def tube_in_use(store: Store, batch: str) -> str | None:
    """Return the only open, unfinished tube of a batch; None if there is none or there are several."""
    in_use = [tube.id for tube in store.find(Tube, batch=batch) if tube.opened and not tube.finished]
    return in_use[0] if len(in_use) == 1 else None
