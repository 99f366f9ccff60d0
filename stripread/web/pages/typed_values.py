"""Values measured with a meter or by titration, typed in for a sampling point."""

from __future__ import annotations

from starlette.responses import Response

from shared.analytes import ANALYTES
from shared.errors import InputError
from stripread.intake.typed_values import METHODS, TYPED, TypedValues, store_typed_values
from stripread.store import lookup
from stripread.store.models.sites import SamplingPoint
from stripread.web.rendering import page
from stripread.web.request import RequestContext, one_of


def show(request: RequestContext) -> Response:
    """Return the first step, the sampling point, or the form for one."""
    return _shown(request, request.query("point"))


def take(request: RequestContext) -> Response:
    """Store the values; the form again with the error and the entries."""
    point = request.one(SamplingPoint, request.field("point"))
    typed = TypedValues(point=point.id, method=one_of(METHODS, request.field("method"), "method"),
                        values={a: request.field(a) for a in TYPED}, notation=request.notation)
    try:
        stored = store_typed_values(request.store, request.account, typed)
    except InputError as error:
        detail = "; ".join(filter(None, (f"{error.where}: {error.what}", error.found, error.allowed)))
        return _shown(request, point.id, status=422, wrong=detail)
    return _shown(request, point.id, stored=len(stored))


def _shown(request: RequestContext, point: str, *, status: int = 200, wrong: str = "", stored: int = 0) -> Response:
    store, notation, typed = request.store, request.notation, request.query("search").strip()
    here = lookup.find_point(store, point, request.access) if point else None
    found = [] if here else lookup.search_points(store, typed, request.access)
    fields = [(a, ANALYTES[a].name, notation.unit_for(ANALYTES[a].unit), "" if stored else request.field(a))
              for a in TYPED]
    return page(request, "typed-values.html", status=status, wrong=wrong, stored=stored, here=here, found=found,
                typed=typed, fields=fields, methods=METHODS, method=request.field("method"))
