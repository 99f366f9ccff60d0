"""Maintenance schedule by week: ticked off in place, calendar subscription, shopping list; intervals between tests."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from types import MappingProxyType
from typing import Final, Literal, TypeVar, get_args

import msgspec
from starlette.responses import Response

from shared.errors import InputError
from stripread.exchange.readings_table import ReadingsTable, TableColumn
from stripread.intake.reassess import reassess_sites
from stripread.monitoring.schedule.due import calendar, due_list
from stripread.monitoring.schedule.intervals import DueItem, load_intervals
from stripread.monitoring.sites import Scope, load_sites
from stripread.operations.assignment import test_dates
from stripread.operations.decisions import record_service
from stripread.store import sessions
from stripread.store.audit_trail import chain_links
from stripread.store.models.materials import Card, Tube
from stripread.store.models.record import new_id
from stripread.store.models.sites import SamplingPoint, Service, Unit
from stripread.store.schema import RECORD_TYPES
from stripread.store.site_access import access_of
from stripread.store.transaction import Transaction
from stripread.web.listing import (
    KINDS,
    WEEKS,
    all_due,
    chosen_due,
    csv_file,
    downloads,
    group_names,
    group_options,
    list_address,
)
from stripread.web.pages.bulk_change import BulkChange, BulkOutcome, preview_or_apply
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of

T = TypeVar("T")
#: Weeks that a calendar looks ahead.
_CALENDAR_WEEKS = 26
#: Work that is ticked off here; what a reading completes is done by taking it.
Ticked = Literal["treatment", "tube", "card"]
TICKED: Final[tuple[Ticked, ...]] = get_args(Ticked)
#: Why a service that was ticked off by mistake does not count.
_STRUCK: Final = "ticked off by mistake"
#: Why a tube or a card is no longer in use; only this can be undone here.
_TICKED_OFF: Final = "ticked off in the schedule"
_JOB: Final = "cartridge changed"


@dataclass(frozen=True, slots=True)
class Week:
    """Items of a week; ``monday`` None: overdue."""

    monday: date | None
    items: tuple[DueItem, ...]


def show(request: RequestContext) -> Response:
    """Return the schedule: overdue items, then week by week."""
    return _shown(request)


def _shown(request: RequestContext, *, status: int = 200, subscription: str = "") -> Response:
    due_list = all_due(request, WEEKS)
    items = chosen_due(request, due_list.items)
    if downloads(request):
        return csv_file("schedule", _table(items))
    done = request.query("done")
    return page(
        request, "schedule.html", status=status, address=list_address(request), weeks=_weeks(items, due_list.today),
        today=due_list.today, overdue=sum(i.on < due_list.today for i in items), n_weeks=WEEKS, kinds=KINDS,
        groups=group_options(request), shopping=due_list.shopping, load=_load(items, due_list.today), ticked=TICKED,
        may_tick=bool({"manager", "technician"} & request.user.roles), subscription=subscription,
        done=(request.query("kind"), done) if done and request.query("kind") in TICKED else None)


def tick(request: RequestContext) -> Response:
    """Record work as done today; the page offers to undo it, under the same filters."""
    done = record_done(request)
    return go("/schedule" + list_address(request).query(kind=done.kind, done=done.done))


class DoneWork(msgspec.Struct, frozen=True, kw_only=True):
    """Work that was ticked off; ``done``: ID of the recorded service, the tube or the card."""

    kind: Ticked
    done: str


def record_done(request: RequestContext) -> DoneWork:
    """Record work as done today: a changed cartridge, a finished tube, a retired card."""
    kind, store = one_of(TICKED, request.field("kind"), "kind"), request.store
    id_ = request.field({"treatment": "unit", "tube": "tube", "card": "card"}[kind])
    if kind == "treatment":
        unit = request.one(Unit, id_)
        made = Service(id=new_id(), unit=unit.id, at=store.clock(), job=_JOB, account=request.account)
        record_service(store, made)
        return DoneWork(kind=kind, done=made.id)
    _set_end(request, kind, id_, store.clock().date())
    return DoneWork(kind=kind, done=id_)


def undo(request: RequestContext) -> Response:
    """Take back what was ticked off."""
    strike_done(request)
    return go("/schedule" + list_address(request).query(kind="", done=""))


def strike_done(request: RequestContext) -> DoneWork:
    """Take back what was ticked off, and return it."""
    kind, done, store = one_of(TICKED, request.field("kind"), "kind"), request.field("done"), request.store
    if kind != "treatment":
        _set_end(request, kind, done, None)
        return DoneWork(kind=kind, done=done)
    service = request.one(Service, done)
    if service.account != request.account or service.job != _JOB or service.note:
        raise _not_ticked("service", done, f"{service.job} by account {service.account}")
    request.demand(Unit, service.unit)
    unit = request.one(Unit, service.unit)
    with store.writing(request.account) as work:
        work.put(msgspec.structs.replace(service, struck=_STRUCK), "service struck", _STRUCK)
    list(reassess_sites(store, request.account, _STRUCK, [unit.site]))
    return DoneWork(kind=kind, done=done)


def _set_end(request: RequestContext, kind: Ticked, id_: str, day: date | None) -> None:
    """Set or clear the day on which a tube was finished or a card retired. Raises InputError for what others ended."""
    with request.store.writing(request.account) as work:
        record: Tube | Card = request.one(Tube, id_) if kind == "tube" else request.one(Card, id_)
        field, ended = ("finished", record.finished) if isinstance(record, Tube) else ("retired", record.retired)
        if day is None:
            _check_ticked(work, kind, record)
        elif ended not in (None, day):
            raise InputError(f"is already {field}", where=f"{kind} {id_}", found=str(ended), allowed=f"a {kind} in use")
        work.put(msgspec.structs.replace(record, **{field: day}), field if day else "in use again",
                 _TICKED_OFF if day else "")


def _check_ticked(work: Transaction, kind: Ticked, record: Tube | Card) -> None:
    """Raise InputError unless the last action on a record is that this account ticked it off."""
    name = RECORD_TYPES[type(record)].name
    entries = [e for link in chain_links(work.connection, record=record.id) for e in [link.entry()]
               if (e.kind, e.record) == (name, record.id)]
    if not entries or (entries[-1].account, entries[-1].why) != (work.by, _TICKED_OFF):
        last = entries[-1] if entries else None
        raise _not_ticked(kind, record.id, f"{last.action} by account {last.account}" if last else "nothing")


def _not_ticked(kind: str, id_: str, found: str) -> InputError:
    return InputError("this account did not tick this off in the schedule", where=f"{kind} {id_}", found=found,
                      allowed="what this account ticked off last", remedy="ask the account that recorded it")


def subscribe(request: RequestContext) -> Response:
    """Make a read-only address of the calendar and show it once; it is revoked on the page of the account."""
    secret = sessions.make_token(request.store, request.account, "calendar", ("calendar",))
    host = f"{request.http.url.scheme}://{request.http.headers['host']}"
    return _shown(request, subscription=f"{host}/calendar?token={secret}")


def subscribed(request: RequestContext) -> Response:
    """Return the calendar of the account whose token the address contains. Raises HTTPRefusal (401)."""
    token = sessions.find_token(request.store, request.query("token"))
    if token is None or "calendar" not in token[1]:
        raise HTTPRefusal(401, "token")
    store, scope = request.store, Scope(access=access_of(token[0]))
    due = due_list(store, load_intervals(), scope=scope, weeks=_CALENDAR_WEEKS)
    return Response(calendar(due.items, store.clock()), media_type="text/calendar; charset=utf-8")


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
    for n in range(WEEKS):
        first = monday + timedelta(weeks=n)
        here = [i for i in items if max(first, today) <= i.on < first + timedelta(weeks=1)]
        yield str(first.isocalendar().week), len(here)


def _table(items: Sequence[DueItem]) -> ReadingsTable:
    columns = tuple(TableColumn(name, str) for name in ("due", "kind", "site", "site name", "task", "reason"))
    return ReadingsTable(columns, tuple((str(i.on), i.kind, i.site, i.site_name, i.what, i.why) for i in items))


#: Days between tests, as `record.Days` permits.
_MOST_DAYS: Final = 3650


def show_intervals(request: RequestContext) -> Response:
    """Return the sampling points with their test intervals."""
    return _intervals(request)


def set_intervals(request: RequestContext) -> Response:
    """Show which intervals change; with the preview confirmed, set them."""
    try:
        outcome = change_intervals(request)
    except InputError as error:
        return _intervals(request, status=422, wrong=error.message)
    return go("/schedule") if outcome.applied else _intervals(request, changes=outcome.changes, effect=outcome.effect)


def change_intervals(request: RequestContext) -> BulkOutcome[SamplingPoint, Mapping[str, tuple[date, date]]]:
    """Return the points whose interval changes, and dates of their next test; once confirmed, set it."""
    def dates(points: Sequence[SamplingPoint]) -> Mapping[str, tuple[date, date]]:
        return test_dates(request.store, _with_interval(request, points))

    return preview_or_apply(request, BulkChange(
        lambda chosen: _other_intervals(request, chosen), dates, lambda points: _set(request, points, dates(points))))


def _other_intervals(request: RequestContext, chosen: Sequence[str]) -> list[SamplingPoint]:
    """Return the chosen points whose interval changes. Raises InputError."""
    days = _days(request.field("days"))
    return [p for p in _points(request) if p.id in chosen and p.every_days != days]


def _set(request: RequestContext, points: Sequence[SamplingPoint], dates: T) -> T:
    """Set the interval of points; return the dates, which were computed before."""
    with request.store.writing(request.account) as work:
        for point in _with_interval(request, points):
            work.put(point, "interval set")
    return dates


def _with_interval(request: RequestContext, points: Sequence[SamplingPoint]) -> list[SamplingPoint]:
    return [msgspec.structs.replace(point, every_days=_days(request.field("days"))) for point in points]


def _intervals(request: RequestContext, *, status: int = 200, wrong: str = "",
               changes: Sequence[SamplingPoint] | None = None,
               effect: Mapping[str, tuple[date, date]] = MappingProxyType({})) -> Response:
    scope = Scope(access=request.access)
    sites = load_sites(request.store, scope, request.store.clock().date()).sites.values()
    usual = load_intervals().test
    return page(request, "intervals.html", status=status, wrong=wrong, points=_points(request),
                names={s.id: s.name for s in sites}, groups=group_names(request, sites), preview=changes, dates=effect,
                days=None if changes is None else _days(request.field("days")),
                usual={p.id: usual.of(p.place) for p in _points(request)},
                chosen=request.form.get("point", []), typed=request.field("days"))


def _points(request: RequestContext) -> list[SamplingPoint]:
    """Return the open sampling points that the account may see, by site."""
    inventory = load_sites(request.store, Scope(access=request.access), request.store.clock().date())
    return sorted(inventory.points.values(), key=lambda p: (inventory.sites[p.site].name.casefold(), p.name))


def _days(text: str) -> int | None:
    """Return the days between tests; None for an empty field: the usual interval of the place."""
    given = text.strip()
    if not given:
        return None
    if not (given.isascii() and given.isdigit() and 1 <= int(given[:6]) <= _MOST_DAYS):
        raise InputError("is not a number of days", where="days", found=repr(given[:20]), allowed=f"1 to {_MOST_DAYS}")
    return int(given)
