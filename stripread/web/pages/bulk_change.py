"""One change of many records: an imported table, limits or a unit for many points; preview first."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final, Generic, TypeVar

from starlette.responses import Response

from shared.errors import InputError
from stripread.exchange.csv_import import columns, records_of
from stripread.exchange.import_records import ParsedRecord, RecordChange, import_all, import_changes
from stripread.intake.reassess import AssessmentChange, assess_imported, preview_changes
from stripread.intake.terms import catalogue, limit_sets, own_terms
from stripread.monitoring.sites import Scope, load_sites
from stripread.operations.assignment import (
    LimitChange,
    UnitChange,
    assign_limits,
    assign_unit,
    limit_changes,
    put_limits,
    put_unit,
    unit_changes,
)
from stripread.report.figures.window import tone
from stripread.store.models.record import Record
from stripread.store.models.sites import LimitAssignment
from stripread.store.store import Store
from stripread.web.listing import group_names
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import page
from stripread.web.request import RequestContext
from stripread.web.worker import WorkerExecutor

C = TypeVar("C")
E = TypeVar("E")
#: Assessments that a change replaces, or would replace.
Effect = Sequence[AssessmentChange]


@dataclass(frozen=True, slots=True)
class BulkChange(Generic[C, E]):
    """A change of many sampling points.

    ``changes``: of the chosen points; ``effect``: what they would change in turn; ``apply``: makes them and returns
    what they changed in turn.
    """

    changes: Callable[[Sequence[str]], Sequence[C]]
    effect: Callable[[Sequence[C]], E]
    apply: Callable[[Sequence[C]], E]


@dataclass(frozen=True, slots=True)
class BulkOutcome(Generic[C, E]):
    """Changes with their effect; ``applied``: whether they were made, or only previewed."""

    changes: Sequence[C]
    effect: E
    applied: bool


def preview_or_apply(request: RequestContext, bulk: BulkChange[C, E]) -> BulkOutcome[C, E]:
    """Return the changes of the chosen points with their effect; once confirmed, make them. Raises InputError."""
    chosen = request.form.get("point", [])
    changes = bulk.changes(chosen)
    if not chosen:
        raise InputError("no sampling point is chosen", where="points", remedy="choose one or more")
    if request.field("confirmed"):
        return BulkOutcome(changes, bulk.apply(changes), applied=True)
    return BulkOutcome(changes, bulk.effect(changes), applied=False)


def _answered(request: RequestContext, act: Callable[[RequestContext], BulkOutcome[C, Effect]],
              shown: Callable[..., Response], done: str) -> Response:
    """Return the page with the changes and their effect, or once applied, with what they replaced."""
    try:
        outcome = act(request)
    except InputError as error:
        return shown(request, status=422, wrong=error.message)
    if not outcome.applied:
        return shown(request, changes=outcome.changes, effect=outcome.effect)
    return _assessed_again(request, request.app.messages(done, n=len(outcome.changes)), outcome.effect)


def _assessed_again(request: RequestContext, stored: str, changes: Sequence[AssessmentChange]) -> Response:
    """Return the page of the assessments that a change replaced; ``stored``: what was changed, in words."""
    return page(request, "assessed-again.html", stored=stored, changes=changes, most=_SHOWN, verdict_tone=tone)


def _effect(request: RequestContext, change: Callable[[Store], Iterable[Record]]) -> list[AssessmentChange]:
    """Return the assessments that a change would replace: one more than is listed where they are more."""
    workers = request.app.workers
    return preview_changes(request.store, change, _PREVIEWED + 1, WorkerExecutor(workers, workers.count))


#: Bytes of a table, and changes that a preview lists.
LARGEST, _SHOWN = 2 * 2**20, 200
#: Assessments of a preview: each takes about a tenth of a second.
_PREVIEWED: Final = 40
_NAME: Final = "table.csv"


@dataclass(frozen=True, slots=True)
class TableOutcome:
    """What a table of some ``rows`` changes, and the assessments that change in turn; ``applied``: or changed."""

    rows: int
    changes: Sequence[RecordChange]
    effect: Effect
    applied: bool


def show_import(request: RequestContext) -> Response:
    """Return the form."""
    _check(request)
    return _import_shown(request)


def import_table(request: RequestContext) -> Response:
    """Show what the table changes; with the preview confirmed, import it, all or nothing."""
    try:
        outcome = change_records(request)
    except InputError as error:
        return _import_shown(request, status=422, wrong=error.message)
    if not outcome.applied:
        return _import_shown(request, preview=outcome)
    return _assessed_again(request, request.app.messages("importing.done", n=outcome.rows), outcome.effect)


def change_records(request: RequestContext) -> TableOutcome:
    """Return what the table changes, with its effect; once confirmed, import it, all or nothing. Raises InputError."""
    _check(request)
    store, parsed = request.store, _parsed(request)
    changes = list(import_changes(store, parsed))
    if not request.field("confirmed"):
        effect = _effect(request, lambda trial: _imported(request, trial, parsed))
        return TableOutcome(len(parsed), changes, effect, applied=False)
    import_all(store, parsed, by=request.account, why="imported on the page")
    effect = assess_imported(store, request.account, (p.record for p in parsed))
    return TableOutcome(len(parsed), changes, effect, applied=True)


def _imported(request: RequestContext, trial: Store, table: Sequence[ParsedRecord]) -> list[Record]:
    import_all(trial, table, by=request.account, why="preview")
    return [parsed.record for parsed in table]


def _check(request: RequestContext) -> None:
    """A table may name any site: only an account without restriction imports one."""
    if request.access.groups is not None:
        raise HTTPRefusal(403, "role")


def _import_shown(request: RequestContext, *, status: int = 200, wrong: str = "",
                  preview: TableOutcome | None = None) -> Response:
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


def show_limits(request: RequestContext) -> Response:
    """Return the sampling points with the sets of limits that apply to them today."""
    return _limits_shown(request)


def set_limits(request: RequestContext) -> Response:
    """Show which points get other limits; with the preview confirmed, record them and assess the readings again."""
    return _answered(request, change_limits, _limits_shown, "limiting.done")


def change_limits(request: RequestContext) -> BulkOutcome[LimitChange, Effect]:
    """Return the points that get other limits, with the effect; once confirmed, record them and assess again."""
    store, by = request.store, request.account
    assigned = LimitAssignment(since=_day(request.field("since")), limits=request.field("limits") or None)
    return preview_or_apply(request, BulkChange(
        lambda chosen: limit_changes(store, request.access, chosen, assigned),
        lambda changes: _effect(request, lambda trial: put_limits(trial, by, changes, assigned)),
        lambda changes: assign_limits(store, by, changes, assigned)))


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
    return _answered(request, change_units, _units_shown, "assigning.done")


def change_units(request: RequestContext) -> BulkOutcome[UnitChange, Effect]:
    """Return the points that get another unit, with the effect; once confirmed, record it and assess again."""
    store, by, unit = request.store, request.account, request.field("catalogue")
    return preview_or_apply(request, BulkChange(
        lambda chosen: unit_changes(store, request.access, chosen, unit),
        lambda changes: _effect(request, lambda trial: put_unit(trial, by, changes, unit)),
        lambda changes: assign_unit(store, by, changes, unit)))


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
