"""A set of limits for sampling points from a day on: what changes, its record, and the new assessments."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import msgspec

from shared.errors import InputError
from stripread.exchange.import_assessment import assess_imported
from stripread.intake.assessment_changes import AssessmentChange
from stripread.intake.terms import limit_sets, own_terms
from stripread.monitoring.sites import Scope, load_sites
from stripread.store.models.sites import LimitAssignment, SamplingPoint
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store


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
                         allowed=", ".join(sorted(known)), remedy="register your own set (TOML), then assign it")
    inventory = load_sites(store, Scope(access=access), store.clock().date())
    found = [LimitChange(p, inventory.sites[p.site].name, p.limits_on(assigned.since))
             for p in inventory.points.values() if p.id in points and assigned not in p.limits]
    return sorted(found, key=lambda c: (c.site_name.casefold(), c.point.name))


def assign_limits(store: Store, by: str, changes: Sequence[LimitChange], assigned: LimitAssignment
                  ) -> list[AssessmentChange]:
    """Record the set at each point, in place of one from the same day; assess its site again, return what changed."""
    with store.writing(by) as work:
        for change in changes:
            others = [a for a in change.point.limits if a.since != assigned.since]
            limits = tuple(sorted((*others, assigned), key=lambda a: a.since))
            work.put(msgspec.structs.replace(change.point, limits=limits), "limits assigned")
    return assess_imported(store, by, [c.point for c in changes])

