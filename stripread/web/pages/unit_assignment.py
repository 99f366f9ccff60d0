"""One treatment unit for many sampling points, with a preview."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.responses import Response

from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.sites import Scope, load_sites
from stripread.operations.unit_assignment import UnitChange, assign_unit, unit_changes
from stripread.web.bulk_change import preview_or_apply
from stripread.web.listing import group_names
from stripread.web.rendering import page
from stripread.web.request import RequestContext


def show(request: RequestContext) -> Response:
    """Return the sampling points of treated water with their units."""
    return _shown(request)


def assign(request: RequestContext) -> Response:
    """Show which points get another unit; with the preview confirmed, record it."""
    unit = request.field("catalogue")
    return preview_or_apply(
        request, _shown, "/sites",
        lambda chosen: unit_changes(request.store, request.access, chosen, unit),
        lambda changes: assign_unit(request.store, request.account, changes, unit))


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "", changes: Sequence[UnitChange] | None = None
           ) -> Response:
    store = request.store
    inventory = load_sites(store, Scope(access=request.access), store.clock().date())
    points = sorted((p for p in inventory.points.values() if p.place != "mains"),
                    key=lambda p: (inventory.sites[p.site].name.casefold(), p.name))
    return page(request, "unit-assignment.html", status=status, wrong=wrong, points=points, changes=changes,
                names={s.id: s.name for s in inventory.sites.values()},
                groups=group_names(request, inventory.sites.values()), upstream=inventory.upstream,
                units=sorted(catalogue(own_terms(store)).items()), unit=request.field("catalogue"),
                chosen=request.form.get("point", []))
