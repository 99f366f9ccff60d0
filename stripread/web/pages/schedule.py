"""Maintenance schedule by week: ticked off in place, calendar subscription, shopping list."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final, Literal, get_args

import msgspec
from starlette.responses import Response

from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.intake.reassess import reassess_sites
from stripread.monitoring.schedule.due import DueList, due_list
from stripread.monitoring.schedule.ical import calendar
from stripread.monitoring.schedule.intervals import DueItem, Kind, load_intervals
from stripread.monitoring.sites import Scope
from stripread.operations.service import record_service
from stripread.store import tokens
from stripread.store.models.materials import Card, Tube
from stripread.store.models.record import new_id
from stripread.store.models.sites import Service, Unit
from stripread.store.site_access import access_of
from stripread.web.listing import choice, csv_file, downloads, group_options, list_address
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of

#: Weeks that the page and a calendar look ahead, and those of the figure.
_WEEKS, _CALENDAR_WEEKS = 8, 26
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
Order = Literal["date", "site"]
_ORDERS: Final[tuple[Order, ...]] = get_args(Order)
#: Work that is ticked off here; what a reading completes is done by taking it.
Ticked = Literal["treatment", "tube", "card"]
TICKED: Final[tuple[Ticked, ...]] = get_args(Ticked)
#: Why a service that was ticked off by mistake does not count.
_STRUCK: Final = "ticked off by mistake"


@dataclass(frozen=True, slots=True)
class Week:
    """Items of a week; ``monday`` None: overdue."""

    monday: date | None
    items: tuple[DueItem, ...]


def show(ask: RequestContext) -> Response:
    """Return the schedule: overdue items, then week by week."""
    return _shown(ask)


def _shown(ask: RequestContext, *, status: int = 200, subscription: str = "") -> Response:
    found = _due(ask)
    items = _filtered(ask, found)
    if downloads(ask):
        return csv_file("schedule", _table(items))
    done = ask.query("done")
    return page(
        ask, "schedule.html", status=status, address=list_address(ask), weeks=_weeks(items, found.today),
        today=found.today, overdue=sum(i.on < found.today for i in items), n_weeks=_WEEKS, kinds=KINDS,
        groups=group_options(ask), shopping=found.shopping, load=_load(items, found.today), ticked=TICKED,
        may_tick=bool({"manager", "technician"} & ask.who.roles), subscription=subscription,
        done=(ask.query("kind"), done) if done and ask.query("kind") in TICKED else None)


def tick(ask: RequestContext) -> Response:
    """Record work as done today: a changed cartridge, a finished tube, a retired card."""
    kind, store = one_of(TICKED, ask.field("kind"), "kind"), ask.house.store
    id_ = ask.field({"treatment": "unit", "tube": "tube", "card": "card"}[kind])
    if kind == "treatment":
        unit = ask.one(Unit, id_)
        made = Service(id=new_id(), unit=unit.id, at=store.clock(), job="cartridge changed", account=ask.who.account)
        record_service(store, made)
        return go(f"/schedule?kind=treatment&done={made.id}")
    _set_end(ask, kind, id_, store.clock().date())
    return go(f"/schedule?kind={kind}&done={id_}")


def undo(ask: RequestContext) -> Response:
    """Take back what was ticked off."""
    kind, store = one_of(TICKED, ask.field("kind"), "kind"), ask.house.store
    if kind != "treatment":
        _set_end(ask, kind, ask.field("done"), None)
        return go("/schedule")
    service = ask.one(Service, ask.field("done"))
    ask.demand(Unit, service.unit)
    unit = ask.one(Unit, service.unit)
    with store.writing(ask.who.account) as work:
        work.put(msgspec.structs.replace(service, struck=_STRUCK), "service struck", _STRUCK)
    list(reassess_sites(store, ask.who.account, _STRUCK, [unit.site]))
    return go("/schedule")


def _set_end(ask: RequestContext, kind: Ticked, id_: str, day: date | None) -> None:
    """Set or clear the day on which a tube was finished or a card retired."""
    with ask.house.store.writing(ask.who.account) as work:
        if kind == "tube":
            tube = ask.one(Tube, id_)
            work.put(msgspec.structs.replace(tube, finished=day), "finished" if day else "in use again")
        else:
            card = ask.one(Card, id_)
            work.put(msgspec.structs.replace(card, retired=day), "retired" if day else "in use again")


def subscribe(ask: RequestContext) -> Response:
    """Make a read-only address of the calendar and show it once; it is revoked on the page of the account."""
    secret = tokens.make_token(ask.house.store, ask.who.account, "calendar", ("calendar",))
    host = f"{ask.request.url.scheme}://{ask.request.headers['host']}"
    return _shown(ask, subscription=f"{host}/calendar?token={secret}")


def subscribed(ask: RequestContext) -> Response:
    """Return the calendar of the account whose token the address contains. Raises HTTPRefusal (401)."""
    found = tokens.find_token(ask.house.store, ask.query("token"))
    if found is None or "calendar" not in found[1]:
        raise HTTPRefusal(401, "token")
    store, scope = ask.house.store, Scope(access=access_of(found[0]))
    due = due_list(store, load_intervals(), scope=scope, weeks=_CALENDAR_WEEKS)
    return Response(calendar(due.items, store.clock()), media_type="text/calendar; charset=utf-8")


def _due(ask: RequestContext) -> DueList:
    scope = Scope(group=ask.query("group") or None, access=ask.access)
    return due_list(ask.house.store, load_intervals(), scope=scope, weeks=_WEEKS)


def _filtered(ask: RequestContext, found: DueList) -> list[DueItem]:
    kind, typed = choice(ask, "what", KINDS), ask.query("search").strip().casefold()
    items = [i for i in found.items if kind in (None, i.kind) and typed in f"{i.sentence} {i.why}".casefold()]
    if choice(ask, "sort", _ORDERS) == "site":
        return sorted(items, key=lambda i: (i.site_name.casefold(), i.on))
    return items


def _weeks(items: Sequence[DueItem], today: date) -> list[Week]:
    """Return overdue items, then those of each week."""
    by: dict[date | None, list[DueItem]] = {}
    for item in items:
        monday = None if item.on < today else item.on - timedelta(days=item.on.weekday())
        by.setdefault(monday, []).append(item)
    order = sorted(by, key=lambda monday: (monday is not None, monday or date.min))
    return [Week(monday, tuple(by[monday])) for monday in order]


def _load(items: Iterable[DueItem], today: date) -> tuple[tuple[str, int], ...]:
    """Return the number of items overdue and of each week, by the number of the week."""
    return tuple(_counts(list(items), today))


def _counts(items: list[DueItem], today: date) -> Iterator[tuple[str, int]]:
    yield "late", sum(i.on < today for i in items)
    monday = today - timedelta(days=today.weekday())
    for n in range(_WEEKS):
        first = monday + timedelta(weeks=n)
        here = [i for i in items if max(first, today) <= i.on < first + timedelta(weeks=1)]
        yield str(first.isocalendar().week), len(here)


def _table(items: Sequence[DueItem]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in ("due", "kind", "site", "site name", "task", "reason"))
    return ReadingsTable(columns, tuple((str(i.on), i.kind, i.site, i.site_name, i.what, i.why) for i in items))
