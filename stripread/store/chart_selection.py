"""What readings are made with, found in the store: the chart of a batch, profiles of print runs, and their state."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime

from calibration.chart import Chart
from calibration.release import Release, state_of, usable
from shared.card import CardLayout
from shared.errors import MismatchError
from shared.profile import PrintProfile, profile_of
from stripread.store.errors import RecordsError
from stripread.store.lookup import list_some
from stripread.store.models.materials import Batch, PrintRun, StoredChart, StoredRelease, Tube
from stripread.store.store import Store

#: What to do where something was never kept.
KEEP = "keep it with `stripread records keep FILE`"
#: Digits of a hash, at least, that may stand for the whole.
LEAST_DIGITS = 6


def chart_for(store: Store, batch: str, now: datetime) -> Chart:
    """The batch's chart that is released and valid now, of several the newest; else the newest of all.

    `chart_flags` then says what is wrong with it. Raises RecordsError where the batch has none, naming those that have.
    """
    charts = store.find(StoredChart, batch=batch)
    if not charts:
        raise RecordsError("there is no chart of this batch", where=store.where, found=f"batch {batch}",
                           allowed=list_some(batches_with_charts(store)), remedy=KEEP)
    released = [kept for kept in charts if usable(state_of(kept.id, releases(store, kept.id), now=now))]
    return max(released or charts, key=lambda kept: (kept.chart.conditions.made, kept.at)).chart


def find_chart(store: Store, name: str, now: datetime) -> Chart | None:
    """The chart whose hash begins with ``name``, else the one `chart_for` finds for a batch of that name; or None."""
    begins = [i for i in store.ids(StoredChart) if len(name) >= LEAST_DIGITS and i.startswith(name)]
    if len(begins) > 1:
        raise RecordsError("several charts begin like this", where=store.where, found=name, allowed=", ".join(begins))
    if begins:
        return store.get(StoredChart, begins[0]).chart
    return chart_for(store, name, now) if name in batches_with_charts(store) else None


def batches_with_charts(store: Store) -> list[str]:
    """Ids of the batches that have a chart."""
    return [b for b in store.ids(Batch) if store.ids(StoredChart, batch=b)]


def releases(store: Store, chart: str) -> tuple[Release, ...]:
    """What was said of a chart, oldest first."""
    said = store.find(StoredRelease, chart=chart)
    return tuple(sorted((s.release() for s in said), key=lambda r: r.when))


def profiles(store: Store, card: CardLayout) -> tuple[PrintProfile, ...]:
    """Of each print run of this card the profile measured last; those of other cards are passed over."""
    newest = {kept.run: kept for kept in sorted(store.find(PrintRun), key=lambda kept: kept.at)}
    return tuple(_fitting((profile_of(kept.text, f"print run {run}") for run, kept in newest.items()), card))


def _fitting(measured: Iterator[PrintProfile], card: CardLayout) -> Iterator[PrintProfile]:
    for profile in measured:
        try:
            profile.check_against(card)
        except MismatchError:
            continue
        yield profile


def chart_flags(store: Store, chart: Chart, now: datetime, *, tube: str | None = None,
          used: date | None = None) -> tuple[str, ...]:
    """Flags of a reading made ``now``: of the chart's release, and of strips out of date when they were ``used``.

    ``tube``: the one they came from; where it is not told, the only one in use, if there is one. ``used``: today,
    if not given.
    """
    last = last_day(store, chart.batch, tube)
    old = last is not None and (used or now.date()) > last
    return (*state_of(chart.id, releases(store, chart.id), now=now), *(("batch-expired",) if old else ()))


def last_day(store: Store, batch: str, tube: str | None = None) -> date | None:
    """The last day on which strips of this tube may be used; None where nothing is stated."""
    said = next(iter(store.find(Batch, id=batch)), None)
    if said is None:
        return None
    named = tube or tube_in_use(store, batch)
    kept = Tube(id="-", batch=batch) if named is None else store.get(Tube, named)
    return kept.last_day(said)


def tube_in_use(store: Store, batch: str) -> str | None:
    """The only tube of a batch that was opened and is not finished; None where there are none or several."""
    in_use = [tube.id for tube in store.find(Tube, batch=batch) if tube.opened and not tube.finished]
    return in_use[0] if len(in_use) == 1 else None
