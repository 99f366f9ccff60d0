"""Changes of many records by the API: an imported table, intervals, limits or a unit for many points; preview first."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Final

import msgspec

from stripread.exchange.import_records import RecordChange
from stripread.intake.reassess import AssessmentChange
from stripread.operations.assignment import LimitChange, UnitChange
from stripread.store.models.sites import SamplingPoint
from stripread.web.api.operations import Body, answered, change
from stripread.web.pages import bulk_change, schedule
from stripread.web.pages.bulk_change import BulkOutcome, Effect, TableOutcome
from stripread.web.refusals import MANAGERS
from stripread.web.request import RequestContext

Confirmed = Annotated[bool, msgspec.Meta(description="Whether to make the changes; false: only a preview of them.")]
Points = Annotated[tuple[str, ...], msgspec.Meta(description="IDs of sampling points.")]
CatalogueId = Annotated[str, msgspec.Meta(description="ID of the unit in the catalogue.")]


class TableBody(Body, frozen=True):
    """A table of records as text, as `stripread sites import` takes it."""

    table: str
    confirmed: Confirmed = False


class IntervalsBody(Body, frozen=True):
    """Interval between tests for sampling points; null: the usual one."""

    points: Points
    days: Annotated[int, msgspec.Meta(ge=1, le=3650)] | None = None
    confirmed: Confirmed = False


class UnitsBody(Body, frozen=True):
    """A treatment unit for sampling points."""

    points: Points
    catalogue: CatalogueId
    confirmed: Confirmed = False


class LimitsBody(Body, frozen=True):
    """A set of limits for sampling points from a day on; null: that of the whole store."""

    points: Points
    since: date
    limits: str | None = None
    confirmed: Confirmed = False


class TableChange(msgspec.Struct, frozen=True, kw_only=True):
    """What a table of some ``rows`` changes, and the assessments that change in turn; ``applied``: or changed."""

    applied: bool
    rows: int
    changes: tuple[RecordChange, ...]
    assessments: tuple[AssessmentChange, ...]


class PointChange(msgspec.Struct, frozen=True, kw_only=True):
    """A sampling point that gets another set of limits or another unit; null: none of its own."""

    point: str
    name: str
    site: str
    site_name: str
    before: str | None
    after: str | None


class PointChanges(msgspec.Struct, frozen=True, kw_only=True):
    """Changes of sampling points, and the assessments that change in turn; ``applied``: or changed."""

    applied: bool
    changes: tuple[PointChange, ...]
    assessments: tuple[AssessmentChange, ...]


class IntervalChange(msgspec.Struct, frozen=True, kw_only=True):
    """A sampling point that gets another interval; days: null is the usual one. Dates of the next test."""

    point: str
    name: str
    site: str
    before_days: int | None
    next_before: date | None
    next_after: date | None


class IntervalChanges(msgspec.Struct, frozen=True, kw_only=True):
    """Changes of intervals; ``applied``: whether they were made, or only previewed."""

    applied: bool
    changes: tuple[IntervalChange, ...]


def _table(found: TableOutcome) -> TableChange:
    return TableChange(applied=found.applied, rows=found.rows, changes=tuple(found.changes),
                       assessments=tuple(found.effect))


def _intervals(found: BulkOutcome[SamplingPoint, Mapping[str, tuple[date, date]]]) -> IntervalChanges:
    changes = ((p, found.effect.get(p.id, (None, None))) for p in found.changes)
    return IntervalChanges(applied=found.applied, changes=tuple(
        IntervalChange(point=p.id, name=p.name, site=p.site, before_days=p.every_days, next_before=before,
                       next_after=after) for p, (before, after) in changes))


def _change(made: LimitChange | UnitChange, before: str | None, after: str | None) -> PointChange:
    p = made.point
    return PointChange(point=p.id, name=p.name, site=p.site, site_name=made.site_name, before=before, after=after)


def _limits(request: RequestContext) -> PointChanges:
    found: BulkOutcome[LimitChange, Effect] = bulk_change.change_limits(request)
    after = request.field("limits") or None
    return PointChanges(applied=found.applied, changes=tuple(_change(c, c.was, after) for c in found.changes),
                        assessments=tuple(found.effect))


def _units(request: RequestContext) -> PointChanges:
    found: BulkOutcome[UnitChange, Effect] = bulk_change.change_units(request)
    after = request.field("catalogue")
    return PointChanges(applied=found.applied, assessments=tuple(found.effect), changes=tuple(
        _change(c, c.was.catalogue if c.was else None, after) for c in found.changes))


_OUTCOME: Final = "The changes; a preview stores nothing."
BULK: Final = (
    change("/api/changes/table", "import-table", "Import a table of records, all or nothing, or preview what it "
           "changes.", answered(bulk_change.change_records, _table), roles=MANAGERS, scope="sites:write",
           body=TableBody, limits=(bulk_change.LARGEST, 60.0), returns={200: (TableChange, _OUTCOME)}),
    change("/api/changes/intervals", "set-intervals", "Set the interval between tests of sampling points, or preview "
           "it.", answered(schedule.change_intervals, _intervals), roles=MANAGERS, scope="sites:write",
           body=IntervalsBody, returns={200: (IntervalChanges, _OUTCOME)}),
    change("/api/changes/units", "assign-unit", "Assign a treatment unit to sampling points, or preview it.",
           answered(_units), roles=MANAGERS, scope="sites:write", body=UnitsBody,
           returns={200: (PointChanges, _OUTCOME)}),
    change("/api/changes/limits", "assign-limits", "Assign a set of limits to sampling points, or preview it.",
           answered(_limits), roles=MANAGERS, scope="sites:write", body=LimitsBody,
           returns={200: (PointChanges, _OUTCOME)}),
)
