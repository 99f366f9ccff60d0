"""One treatment unit for many sampling points, with a preview."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.responses import Response

from shared.errors import InputError
from stripread.intake.terms import catalogue, own_terms
from stripread.monitoring.sites import Scope, load_sites
from stripread.operations.unit_assignment import UnitChange, assign_unit, unit_changes
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext


def show(ask: RequestContext) -> Response:
    """Return the sampling points of treated water with their units."""
    return _shown(ask)


def assign(ask: RequestContext) -> Response:
    """Show which points get another unit; with the preview confirmed, record it."""
    chosen, unit = ask.form.get("point", []), ask.field("catalogue")
    try:
        changes = unit_changes(ask.house.store, ask.access, chosen, unit)
    except InputError as error:
        return _shown(ask, status=422, wrong=error.message)
    if not chosen:
        return _shown(ask, status=422, wrong=ask.house.words("intervals.none-chosen"))
    if not ask.field("confirmed"):
        return _shown(ask, changes=changes)
    assign_unit(ask.house.store, ask.who.account, changes, unit)
    return go("/sites")


def _shown(ask: RequestContext, *, status: int = 200, wrong: str = "", changes: Sequence[UnitChange] | None = None
           ) -> Response:
    store = ask.house.store
    inventory = load_sites(store, Scope(access=ask.access), store.clock().date())
    points = sorted((p for p in inventory.points.values() if p.place != "mains"),
                    key=lambda p: (inventory.sites[p.site].name.casefold(), p.name))
    return page(ask, "unit-assignment.html", status=status, wrong=wrong, points=points, changes=changes,
                names={s.id: s.name for s in inventory.sites.values()}, upstream=inventory.upstream,
                units=sorted(catalogue(own_terms(store)).items()), unit=ask.field("catalogue"),
                chosen=ask.form.get("point", []))
