"""What a phone stores to work offline: sampling points with their last reading, tubes and charts with their state."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Final

import msgspec

from calibration.release import state_of
from stripread.monitoring.latest_results import latest_readings, latest_results
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.schedule.points import tests_due
from stripread.monitoring.sites import Scope, load_sites
from stripread.report.figures.window import Tone, tone
from stripread.store import chart_selection
from stripread.store.models.materials import Batch, Tube
from stripread.store.models.sites import Place
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store
from stripread.web.reading_view import glyphs

#: Days before the last day of a tube from which the phone warns.
_SOON: Final = timedelta(days=7)


class PhonePoint(msgspec.Struct, frozen=True, kw_only=True):
    """A sampling point; ``due``: day of its next test; ``colours``: pads of its last reading, "" without a result."""

    id: str
    site: str
    name: str
    place: Place
    due: date
    tone: Tone
    colours: tuple[str, ...]


class PhoneTube(msgspec.Struct, frozen=True, kw_only=True):
    """A tube, or a batch without recorded tubes: its reading window, and what is wrong with it ("" where nothing is).

    ``last``: last day on which its strips may be used.
    """

    id: str
    batch: str
    after_s: float
    before_s: float
    wrong: tuple[str, ...]
    last: date | None
    soon: bool


class PhoneData(msgspec.Struct, frozen=True, kw_only=True):
    """``at``: when it was made, by the server's clock."""

    account: str
    at: datetime
    points: list[PhonePoint]
    tubes: list[PhoneTube]


def phone_data(store: Store, access: SiteAccess) -> PhoneData:
    """Return what the phone of an account stores."""
    return PhoneData(account=access.account, at=store.clock(), points=_points(store, access), tubes=_tubes(store))


def _points(store: Store, access: SiteAccess) -> list[PhonePoint]:
    today = store.clock().date()
    inventory = load_sites(store, Scope(access=access), today)
    due = {item.subject: item.on for item in tests_due(
        inventory, latest_results(store, inventory.points), load_intervals(), today)}
    last = latest_readings(store, inventory.points)
    colours = glyphs(store, [reading for reading, _ in last.values()])
    found = []
    for p in inventory.points.values():
        reading, verdict = last.get(p.id, ("", None))
        found.append(PhonePoint(id=p.id, site=inventory.sites[p.site].name, name=p.name, place=p.place, due=due[p.id],
                                tone=tone(verdict), colours=colours.get(reading, ())))
    return sorted(found, key=lambda p: (p.due, p.site, p.name))


def _tubes(store: Store) -> list[PhoneTube]:
    found = [tube for batch in chart_selection.batches_with_charts(store) for tube in _of_batch(store, batch)]
    return sorted(found, key=lambda t: (bool(t.wrong), t.batch, t.id))


def _of_batch(store: Store, batch: str) -> Iterable[PhoneTube]:
    now = store.clock()
    chart = chart_selection.chart_for(store, batch, now)
    state = state_of(chart.id, chart_selection.releases(store, chart.id), now=now)
    (record,) = store.find(Batch, id=batch)
    for tube in [t for t in store.find(Tube, batch=batch) if t.finished is None] or [Tube(id=batch, batch=batch)]:
        last = tube.last_day(record)
        old = ("batch-expired",) if last is not None and last < now.date() else ()
        yield PhoneTube(id=tube.id, batch=batch, after_s=chart.strip.read_after_s, before_s=chart.strip.read_before_s,
                        wrong=(*state, *old), last=last,
                        soon=last is not None and not old and last - now.date() <= _SOON)
