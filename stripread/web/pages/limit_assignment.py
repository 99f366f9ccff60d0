"""One set of limits for many sampling points from a day on, with a preview."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from starlette.responses import Response

from shared.errors import InputError
from stripread.intake.terms import limit_sets, own_terms
from stripread.monitoring.sites import Scope, load_sites
from stripread.operations.limit_assignment import LimitChange, assign_limits, limit_changes
from stripread.store.models.sites import LimitAssignment
from stripread.web.bulk_change import preview_or_apply
from stripread.web.listing import group_names
from stripread.web.rendering import page
from stripread.web.request import RequestContext


def show(request: RequestContext) -> Response:
    """Return the sampling points with the sets of limits that apply to them today."""
    return _shown(request)


def assign(request: RequestContext) -> Response:
    """Show which points get other limits; with the preview confirmed, record them and assess the readings again."""
    def assigned() -> LimitAssignment:
        return LimitAssignment(since=_day(request.field("since")), limits=request.field("limits") or None)

    return preview_or_apply(
        request, _shown, "/sites",
        lambda chosen: limit_changes(request.store, request.access, chosen, assigned()),
        lambda changes: assign_limits(request.store, request.account, changes, assigned()))


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise InputError("is not a date", where="since", found=repr(text[:20]), allowed="a date as 2031-05-04"
                         ) from None


def _shown(request: RequestContext, *, status: int = 200, wrong: str = "",
           changes: Sequence[LimitChange] | None = None) -> Response:
    store = request.store
    today = store.clock().date()
    inventory = load_sites(store, Scope(access=request.access), today)
    points = sorted(inventory.points.values(), key=lambda p: (inventory.sites[p.site].name.casefold(), p.name))
    return page(request, "limit-assignment.html", status=status, wrong=wrong, points=points, changes=changes,
                names={s.id: s.name for s in inventory.sites.values()}, today=today,
                groups=group_names(request, inventory.sites.values()), sets=sorted(limit_sets(own_terms(store))),
                limits=request.field("limits"), since=request.field("since") or today.isoformat(),
                chosen=request.form.get("point", []))
