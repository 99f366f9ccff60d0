"""The due list: what is overdue or due within a number of weeks, at sites and of materials and people; as calendar."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from typing import TYPE_CHECKING

import msgspec
from sqlalchemy import func, select

from stripread.intake.qualification import examined_technicians, last_passed
from stripread.monitoring.schedule.intervals import DueItem, ScheduleIntervals
from stripread.monitoring.schedule.shopping import ShoppingList, load_demand, shopping
from stripread.monitoring.sites import Scope, load_sites
from stripread.monitoring.status import StatusOverview, overview
from stripread.store.models.evidence import StoredCheckResult, StoredReading
from stripread.store.models.materials import Batch, Card, Phone, Qualification, StoredChart, Tube
from stripread.store.schema import READING_INDEX, RECORD_TYPES
from stripread.store.store import Store

_CHECKS, _READINGS, _CHARTS = (RECORD_TYPES[kind].table for kind in (StoredCheckResult, StoredReading, StoredChart))


def materials(store: Store, intervals: ScheduleIntervals, today: date) -> Iterator[DueItem]:
    """Return the due items of all materials, and of the qualifications of technicians."""
    batches = _in_use(store, today - timedelta(days=intervals.material.in_use))
    yield from _batches(batches)
    yield from _tubes(store)
    yield from _checks(store, batches, intervals.material.check_standard, today)
    yield from _phones(store, intervals.material.phone, today)
    yield from _cards(store, intervals.material.card)
    yield from _technicians(store)


def _in_use(store: Store, since: date) -> list[Batch]:
    """Return the batches with an unfinished tube, and those without tubes that were used since a day."""
    tubes = store.find(Tube)
    open_, known = {t.batch for t in tubes if t.finished is None}, {t.batch for t in tubes}
    recent = select(READING_INDEX.c.batch).where(READING_INDEX.c.sampled >= since.isoformat()).distinct()
    with store.viewing() as connection:
        read = set(connection.scalars(recent))
    return [b for b in store.find(Batch) if b.id in open_ or (b.id in read and b.id not in known)]


def _batches(batches: list[Batch]) -> Iterator[DueItem]:
    for batch in batches:
        if batch.expires is not None:
            yield DueItem(on=batch.expires, kind="batch", subject=batch.id, what=f"strip batch {batch.id} expires",
                      why="expiry date on the label; calibrate the next batch before then")


def _tubes(store: Store) -> Iterator[DueItem]:
    batches = {b.id: b for b in store.find(Batch)}
    for tube in store.find(Tube):
        batch = batches[tube.batch]
        if tube.finished is None and tube.opened is not None and batch.keeps_days is not None:
            yield DueItem(on=tube.opened + timedelta(days=batch.keeps_days), kind="tube", subject=tube.id,
                      what=f"replace tube {tube.id} of batch {tube.batch}",
                      why=f"opened {tube.opened}, shelf life after opening {batch.keeps_days} days")


def _checks(store: Store, batches: list[Batch], days: int, today: date) -> Iterator[DueItem]:
    last, charts = _last_checks(store), _with_chart(store)
    for batch in batches:
        if batch.id not in charts:
            continue
        done = last.get(batch.id)
        yield DueItem(
            on=today if done is None else done + timedelta(days=days),
            kind="check standard",
            subject=batch.id,
            what=f"measure a check standard on batch {batch.id}",
            why="no check standard read on this batch" if done is None else f"last one {done}, every {days} days",
        )


def _last_checks(store: Store) -> dict[str, date]:
    """Return the date of the last check standard on any chart of each batch, by batch."""
    checks, readings, charts = _CHECKS.c, _READINGS.c, _CHARTS.c
    joined = _CHECKS.outerjoin(_READINGS, checks.reading == readings.id).join(
        _CHARTS, charts.id == func.coalesce(checks.chart, readings.chart))
    query = (select(charts.batch, func.max(checks.at).label("last")).select_from(joined)
             .where(checks.struck.is_(None)).group_by(charts.batch))
    with store.viewing() as connection:
        return {row.batch: datetime.fromisoformat(row.last).date() for row in connection.execute(query)}


def _with_chart(store: Store) -> set[str]:
    with store.viewing() as connection:
        return set(connection.scalars(select(_CHARTS.c.batch).distinct()))


def _phones(store: Store, days: int, today: date) -> Iterator[DueItem]:
    latest: dict[str, Qualification] = {q.phone: q for q in sorted(store.find(Qualification), key=lambda q: q.at)}
    passed = last_passed(store)
    for phone in store.find(Phone):
        if phone.retired is None:
            on, why = _qualified(latest.get(phone.id), passed.get(phone.model), days)
            yield DueItem(on=on or today, kind="phone", subject=phone.id, why=why,
                      what=f"measure a check standard with phone {phone.id} ({phone.model})")


def _qualified(qualification: Qualification | None, passed: date | None, days: int) -> tuple[date | None, str]:
    """Return the date until which a phone is qualified, None if it is not, and the reason.

    A recorded qualification takes precedence over check standards that passed with the phone's model.
    """
    if qualification is not None and qualification.outcome != "qualified":
        return None, f"did not qualify on {qualification.at:%Y-%m-%d}"
    if qualification is not None:
        return qualification.until or qualification.at.date() + timedelta(
            days=days
        ), f"last qualified on {qualification.at:%Y-%m-%d}"
    if passed is not None:
        return passed + timedelta(days=days), f"a check standard passed on {passed}, every {days} days"
    return None, "no check standard has passed with this phone model"


def _cards(store: Store, days: int) -> Iterator[DueItem]:
    for card in store.find(Card):
        if card.retired is None and card.first_used is not None:
            yield DueItem(on=card.first_used + timedelta(days=days), kind="card", subject=card.id,
                      what=f"replace card {card.id} of print run {card.run}", why=f"in use since {card.first_used}")


def _technicians(store: Store) -> Iterator[DueItem]:
    """Return when qualifications end; technicians without a recorded one are not listed."""
    for one in examined_technicians(store):
        ends = one.until if one.outcome == "qualified" else one.on
        if ends is not None:
            why = "qualified until" if one.outcome == "qualified" else "did not qualify on"
            yield DueItem(on=ends, kind="technician", subject=one.account, why=f"{why} {ends}",
                          what=f"qualify technician {one.name or one.account}")


class DueList(msgspec.Struct, frozen=True, kw_only=True):
    """Items due by the day ``until``, longest overdue first; ``shopping``: the units to buy for them."""

    today: date
    until: date
    items: tuple[DueItem, ...]
    shopping: ShoppingList

    @property
    def overdue(self) -> tuple[DueItem, ...]:
        """Items due before today."""
        return tuple(i for i in self.items if i.on < self.today)

    def weeks(self) -> Iterator[tuple[date, list[DueItem]]]:
        """Return the Monday of each week with the items due in it, from today on."""
        for monday, items in groupby((i for i in self.items if i.on >= self.today),
                                     key=lambda i: i.on - timedelta(days=i.on.weekday())):
            yield monday, list(items)


def due_list(store: Store, intervals: ScheduleIntervals, *, scope: Scope, weeks: int) -> DueList:
    """Return the due items of a scope with what is to be bought for them."""
    inventory = load_sites(store, scope, store.clock().date())
    seen = overview(store, intervals, scope=scope)
    until, items = seen.today + timedelta(weeks=weeks), due_items(store, intervals, seen, scope)
    changes = {i.subject: i.on for i in items if i.kind == "treatment"}
    return DueList(today=seen.today, until=until, items=tuple(i for i in items if i.on <= until),
                   shopping=shopping(inventory, changes, until, load_demand(store, inventory)))


def due_items(store: Store, intervals: ScheduleIntervals, seen: StatusOverview, scope: Scope) -> list[DueItem]:
    """Return all due items of a scope in order of their day; those of a site are those of its status.

    Strips, phones and cards belong to no site and are listed for all sites only.
    """
    items = [*(item for site in seen.sites for item in site.due),
             *(materials(store, intervals, seen.today) if scope.whole else ())]
    return sorted(items, key=lambda i: (i.on, i.site_name, i.kind, i.subject))


if TYPE_CHECKING:
    from icalendar import Component


def calendar(items: Sequence[DueItem], now: datetime) -> bytes:
    """Return the calendar of ``items``, stamped ``now``. The UIDs are constant, so that a later file moves the events.

    Without items it contains a time zone only: a calendar needs at least one component (RFC 5545, 3.6).
    """
    from icalendar import Calendar

    made = Calendar()
    made.add("version", "2.0")
    made.add("prodid", "-//stripread//due list//EN")
    made.add("calscale", "GREGORIAN")
    for item in items:
        made.add_component(_event(item, now))
    if not items:
        made.add_component(_utc())
    text: bytes = made.to_ical()
    return text


def _utc() -> Component:
    from icalendar import Timezone, TimezoneStandard

    observance = TimezoneStandard()
    observance.add("dtstart", datetime(1970, 1, 1))  # noqa: DTZ001 - local time, as RFC 5545, 3.6.5 requires
    observance.add("tzoffsetfrom", timedelta(0))
    observance.add("tzoffsetto", timedelta(0))
    zone = Timezone()
    zone.add("tzid", "UTC")
    zone.add_component(observance)
    return zone


def _event(item: DueItem, now: datetime) -> Component:
    from icalendar import Event

    event = Event()
    event.add("uid", item.uid)
    event.add("dtstamp", now.astimezone(UTC))
    event.add("dtstart", item.on)
    event.add("dtend", item.on + timedelta(days=1))
    event.add("summary", item.sentence)
    event.add("description", item.why)
    event.add("categories", [item.kind])
    if item.site_name:
        event.add("location", item.site_name)
    event.add("transp", "TRANSPARENT")
    return event
