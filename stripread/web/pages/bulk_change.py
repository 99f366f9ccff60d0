"""One change of many records: an imported table, a test interval, limits or a unit for many points; preview first."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from types import MappingProxyType
from typing import Final, Generic, TypeVar

import msgspec
from starlette.responses import Response

from shared.errors import InputError
from stripread.exchange.csv_import import columns, records_of
from stripread.exchange.import_records import ParsedRecord, RecordChange, import_all, import_changes
from stripread.intake.reassess import AssessmentChange, assess_imported, preview_changes
from stripread.intake.terms import catalogue, limit_sets, own_terms
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope, load_sites
from stripread.operations.assignment import (
    LimitChange,
    UnitChange,
    assign_limits,
    assign_unit,
    limit_changes,
    put_limits,
    put_unit,
    test_dates,
    unit_changes,
)
from stripread.report.figures.window import tone
from stripread.store.models.record import Record
from stripread.store.models.sites import LimitAssignment, SamplingPoint
from stripread.store.store import Store
from stripread.web.listing import group_names
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext

C = TypeVar("C")


@dataclass(frozen=True, slots=True)
class BulkChange(Generic[C]):
    """A change of many sampling points.

    ``shown``: the page, from the request and ``changes`` with their ``effect``, or ``status`` and ``wrong``.
    ``changes``: of the chosen points; ``effect``: what they would change in turn; ``apply``: makes them.
    """

    shown: Callable[..., Response]
    changes: Callable[[Sequence[str]], Sequence[C]]
    effect: Callable[[Sequence[C]], object]
    apply: Callable[[Sequence[C]], Response]


def preview_or_apply(request: RequestContext, bulk: BulkChange[C]) -> Response:
    """Return the page with the changes of the chosen points and their effect; once confirmed, apply them."""
    chosen = request.form.get("point", [])
    try:
        changes = bulk.changes(chosen)
    except InputError as error:
        return bulk.shown(request, status=422, wrong=error.message)
    if not chosen:
        return bulk.shown(request, status=422, wrong=request.app.messages("intervals.none-chosen"))
    if not request.field("confirmed"):
        return bulk.shown(request, changes=changes, effect=bulk.effect(changes))
    return bulk.apply(changes)


def _assessed_again(request: RequestContext, stored: str, changes: Sequence[AssessmentChange]) -> Response:
    """Return the page of the assessments that a change replaced; ``stored``: what was changed, in words."""
    return page(request, "assessed-again.html", stored=stored, changes=changes, most=_SHOWN, verdict_tone=tone)


def _effect(request: RequestContext, change: Callable[[Store], Iterable[Record]]) -> list[AssessmentChange]:
    """Return the assessments that a change would replace: one more than is listed where they are more."""
    return preview_changes(request.store, change, _PREVIEWED + 1)


#: Bytes of a table, and changes that a preview lists.
LARGEST, _SHOWN = 2 * 2**20, 200
#: Assessments of a preview: each takes about a tenth of a second.
_PREVIEWED: Final = 40
_NAME: Final = "table.csv"
#: Days between tests, as `record.Days` permits.
_MOST_DAYS: Final = 3650


@dataclass(frozen=True, slots=True)
class TablePreview:
    """What a table of some ``rows`` changes, and the assessments that change in turn."""

    rows: int
    changes: Sequence[RecordChange]
    effect: Sequence[AssessmentChange]


def show_import(request: RequestContext) -> Response:
    """Return the form."""
    _check(request)
    return _import_shown(request)


def import_table(request: RequestContext) -> Response:
    """Show what the table changes; with the preview confirmed, import it, all or nothing."""
    _check(request)
    try:
        parsed = _parsed(request)
        changes = list(import_changes(request.store, parsed))
        if not request.field("confirmed"):
            return _import_shown(request, preview=TablePreview(
                len(parsed), changes, _effect(request, lambda trial: _imported(request, trial, parsed))))
        import_all(request.store, parsed, by=request.account, why="imported on the page")
    except InputError as error:
        return _import_shown(request, status=422, wrong=error.message)
    return _assessed_again(request, request.app.messages("importing.done", n=len(parsed)),
                           assess_imported(request.store, request.account, (p.record for p in parsed)))


def _imported(request: RequestContext, trial: Store, table: Sequence[ParsedRecord]) -> list[Record]:
    import_all(trial, table, by=request.account, why="preview")
    return [parsed.record for parsed in table]


def _check(request: RequestContext) -> None:
    """A table may name any site: only an account without restriction imports one."""
    if request.access.groups is not None:
        raise HTTPRefusal(403, "role")


def _import_shown(request: RequestContext, *, status: int = 200, wrong: str = "",
                  preview: TablePreview | None = None) -> Response:
    return page(request, "import.html", status=status, wrong=wrong, table=request.field("table"), columns=columns(),
                preview=preview, most=_SHOWN, previewed=_PREVIEWED, verdict_tone=tone)


def _parsed(request: RequestContext) -> list[ParsedRecord]:
    """Return the records of the table. Raises InputError that names its line."""
    store = request.store
    with TemporaryDirectory() as folder:
        file = Path(folder) / _NAME
        file.write_text(request.field("table"), encoding="utf-8")
        try:
            # The folder on the server is of no use to the reader.
            return [replace(p, where=p.where.replace(f"{folder}/", ""))
                    for p in records_of([file], store.clock(), catalogue(own_terms(store)))]
        except InputError as error:
            raise type(error)(error.what, where=error.where.replace(f"{folder}/", ""), found=error.found,
                              allowed=error.allowed, remedy=error.remedy) from error


def show_intervals(request: RequestContext) -> Response:
    """Return the sampling points with their test intervals."""
    return _intervals(request)


def set_intervals(request: RequestContext) -> Response:
    """Show which intervals change; with the preview confirmed, set them."""
    return preview_or_apply(request, BulkChange(
        _intervals, lambda chosen: _other_intervals(request, chosen),
        lambda points: test_dates(request.store, _with_interval(request, points)),
        lambda points: _set(request, points)))


def _other_intervals(request: RequestContext, chosen: Sequence[str]) -> list[SamplingPoint]:
    """Return the chosen points whose interval changes. Raises InputError."""
    days = _days(request.field("days"))
    return [p for p in _points(request) if p.id in chosen and p.every_days != days]


def _set(request: RequestContext, points: Sequence[SamplingPoint]) -> Response:
    with request.store.writing(request.account) as work:
        for point in _with_interval(request, points):
            work.put(point, "interval set")
    return go("/schedule")


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


def show_limits(request: RequestContext) -> Response:
    """Return the sampling points with the sets of limits that apply to them today."""
    return _limits_shown(request)


def set_limits(request: RequestContext) -> Response:
    """Show which points get other limits; with the preview confirmed, record them and assess the readings again."""
    def assigned() -> LimitAssignment:
        return LimitAssignment(since=_day(request.field("since")), limits=request.field("limits") or None)

    return preview_or_apply(request, BulkChange(
        _limits_shown, lambda chosen: limit_changes(request.store, request.access, chosen, assigned()),
        lambda changes: _effect(request, lambda trial: put_limits(trial, request.account, changes, assigned())),
        lambda changes: _assessed_again(request, request.app.messages("limiting.done", n=len(changes)),
                                        assign_limits(request.store, request.account, changes, assigned()))))


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise InputError("is not a date", where="since", found=repr(text[:20]), allowed="a date as 2031-05-04"
                         ) from None


def _limits_shown(request: RequestContext, *, status: int = 200, wrong: str = "",
                  changes: Sequence[LimitChange] | None = None, effect: Sequence[AssessmentChange] = ()) -> Response:
    store = request.store
    today = store.clock().date()
    inventory = load_sites(store, Scope(access=request.access), today)
    points = sorted(inventory.points.values(), key=lambda p: (inventory.sites[p.site].name.casefold(), p.name))
    return page(request, "limit-assignment.html", status=status, wrong=wrong, points=points, changes=changes,
                effect=effect, most=_PREVIEWED, verdict_tone=tone,
                names={s.id: s.name for s in inventory.sites.values()}, today=today,
                groups=group_names(request, inventory.sites.values()), sets=sorted(limit_sets(own_terms(store))),
                limits=request.field("limits"), since=request.field("since") or today.isoformat(),
                chosen=request.form.get("point", []))


def show_units(request: RequestContext) -> Response:
    """Return the sampling points of treated water with their units."""
    return _units_shown(request)


def set_units(request: RequestContext) -> Response:
    """Show which points get another unit; with the preview confirmed, record it."""
    unit = request.field("catalogue")
    return preview_or_apply(request, BulkChange(
        _units_shown, lambda chosen: unit_changes(request.store, request.access, chosen, unit),
        lambda changes: _effect(request, lambda trial: put_unit(trial, request.account, changes, unit)),
        lambda changes: _assessed_again(request, request.app.messages("assigning.done", n=len(changes)),
                                        assign_unit(request.store, request.account, changes, unit))))


def _units_shown(request: RequestContext, *, status: int = 200, wrong: str = "",
                 changes: Sequence[UnitChange] | None = None, effect: Sequence[AssessmentChange] = ()) -> Response:
    store = request.store
    inventory = load_sites(store, Scope(access=request.access), store.clock().date())
    points = sorted((p for p in inventory.points.values() if p.place != "mains"),
                    key=lambda p: (inventory.sites[p.site].name.casefold(), p.name))
    return page(request, "unit-assignment.html", status=status, wrong=wrong, points=points, changes=changes,
                effect=effect, most=_PREVIEWED, verdict_tone=tone,
                names={s.id: s.name for s in inventory.sites.values()},
                groups=group_names(request, inventory.sites.values()), upstream=inventory.upstream,
                units=sorted(catalogue(own_terms(store)).items()), unit=request.field("catalogue"),
                chosen=request.form.get("point", []))
