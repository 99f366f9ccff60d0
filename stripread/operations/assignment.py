"""Limits or a treatment unit for many sampling points: what changes, its record, and the new assessments."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date

import msgspec

from assess.treatment.unit import TreatmentUnit
from shared.errors import InputError
from stripread.intake.reassess import AssessmentChange, assess_imported
from stripread.intake.terms import catalogue, limit_sets, own_terms
from stripread.monitoring.latest_results import latest_results
from stripread.monitoring.schedule.intervals import load_intervals, tests_due
from stripread.monitoring.sites import Scope, SiteInventory, load_sites
from stripread.store.models.record import new_id
from stripread.store.models.sites import Job, LimitAssignment, SamplingPoint, Service, Unit
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store
from stripread.store.transaction import Transaction


@dataclass(frozen=True, slots=True)
class LimitChange:
    """A sampling point that gets another set of limits; ``was``: the one on that day until now, None: the store's."""

    point: SamplingPoint
    site_name: str
    was: str | None


def limit_changes(store: Store, access: SiteAccess, points: Collection[str], assigned: LimitAssignment
                  ) -> list[LimitChange]:
    """Return the changes of an assignment, by site; points to which it already applies are not among them.

    Raises InputError for a set of limits that is not known.
    """
    known = limit_sets(own_terms(store))
    if assigned.limits is not None and assigned.limits not in known:
        raise InputError("no such set of limits", where="limits", found=repr(assigned.limits[:60]),
                         allowed=", ".join(sorted(known)),
                         remedy="register your own set: `stripread machines import FILE.toml`")
    inventory = load_sites(store, Scope(access=access), store.clock().date())
    changes = [LimitChange(p, inventory.sites[p.site].name, p.limits_on(assigned.since))
               for p in inventory.points.values() if p.id in points and assigned not in p.limits]
    return sorted(changes, key=lambda c: (c.site_name.casefold(), c.point.name))


def put_limits(store: Store, by: str, changes: Sequence[LimitChange], assigned: LimitAssignment
               ) -> list[SamplingPoint]:
    """Record the set at each point, in place of one from the same day; return the points."""
    with store.writing(by) as work:
        for change in changes:
            others = [a for a in change.point.limits if a.since != assigned.since]
            limits = tuple(sorted((*others, assigned), key=lambda a: a.since))
            work.put(msgspec.structs.replace(change.point, limits=limits), "limits assigned")
    return [c.point for c in changes]


def assign_limits(store: Store, by: str, changes: Sequence[LimitChange], assigned: LimitAssignment
                  ) -> list[AssessmentChange]:
    """Record the set at each point; assess its site again and return the assessments that changed."""
    return assess_imported(store, by, put_limits(store, by, changes, assigned))


def test_dates(store: Store, points: Sequence[SamplingPoint]) -> dict[str, tuple[date, date]]:
    """Return the date of the next test of points as they are stored, and with the intervals of ``points``, by point."""
    sites, today = frozenset(p.site for p in points), store.clock().date()
    stored = load_sites(store, Scope(sites=sites), today)
    changed = replace(stored, points={**stored.points, **{p.id: p for p in points}})
    last = latest_results(store, stored.points)
    before, after = ({i.subject: i.on for i in tests_due(inventory, last, load_intervals(), today)}
                     for inventory in (stored, changed))
    return {p.id: (before[p.id], after[p.id]) for p in points if p.id in before and p.id in after}


@dataclass(frozen=True, slots=True)
class UnitChange:
    """A sampling point that gets another unit; ``was``: the unit upstream until now, None if there is none."""

    point: SamplingPoint
    site_name: str
    was: Unit | None


def unit_changes(store: Store, access: SiteAccess, points: Collection[str], unit: str) -> list[UnitChange]:
    """Return the changes of an assignment, by site; points that have the unit are not among them.

    ``unit``: its id in the catalogue. Raises InputError for an unknown unit, and for a point of the mains.
    """
    _data_sheet(store, unit)
    inventory = load_sites(store, Scope(access=access), store.clock().date())
    changes = [UnitChange(p, inventory.sites[p.site].name, inventory.upstream.get(p.id))
               for p in inventory.points.values() if p.id in points]
    mains = [c for c in changes if c.point.place == "mains"]
    if mains:
        raise InputError("a sampling point of the mains cannot have a unit",
                         where=f"{mains[0].site_name}, {mains[0].point.name}",
                         allowed="points after treatment or at the machine")
    return sorted((c for c in changes if c.was is None or c.was.catalogue != unit),
                  key=lambda c: (c.site_name.casefold(), c.point.name))


def put_unit(store: Store, by: str, changes: Sequence[UnitChange], unit: str) -> list[SamplingPoint]:
    """Record the unit as installed now at each site, those that it replaces as removed; return the points."""
    sheet, sites = _data_sheet(store, unit), sorted({c.point.site for c in changes})
    inventory = load_sites(store, Scope(), store.clock().date())
    with store.writing(by) as work:
        for site in sites:
            new = Unit(id=_id(inventory, site, unit), site=site, catalogue=unit, unit=sheet)
            work.put(new, "unit assigned")
            _record(work, by, new.id, "installed")
            here = [c for c in changes if c.point.site == site]
            for replaced in sorted({c.was.id for c in here if c.was is not None}):
                _record(work, by, replaced, "removed")
            for change in here:
                work.put(msgspec.structs.replace(change.point, unit=new.id), "unit assigned")
    return [c.point for c in changes]


def assign_unit(store: Store, by: str, changes: Sequence[UnitChange], unit: str) -> list[AssessmentChange]:
    """Record the unit at each site; assess it again and return the assessments that changed."""
    return assess_imported(store, by, put_unit(store, by, changes, unit))


def _record(work: Transaction, by: str, unit: str, job: Job) -> None:
    work.put(Service(id=new_id(), unit=unit, at=work.now, job=job, account=by), job)


def _id(inventory: SiteInventory, site: str, unit: str) -> str:
    """Return an id that no unit has: that of the site with the catalogue's, numbered if need be."""
    ids = (f"{site}/{unit}{'' if n == 1 else f'-{n}'}" for n in range(1, len(inventory.units) + 2))
    return next(i for i in ids if i not in inventory.units)


def _data_sheet(store: Store, unit: str) -> TreatmentUnit:
    units = catalogue(own_terms(store))
    if unit not in units:
        raise InputError("no such unit in the catalogue", where="unit", found=repr(unit[:60]),
                         allowed=", ".join(sorted(units)))
    return units[unit]
