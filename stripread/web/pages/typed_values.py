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


def show(ask: RequestContext) -> Response:
    """Return the first step, the sampling point, or the form for one."""
    return _shown(ask, ask.query("point"))


def take(ask: RequestContext) -> Response:
    """Store the values; the form again with the error and the entries."""
    point = ask.one(SamplingPoint, ask.field("point"))
    typed = TypedValues(point=point.id, method=one_of(METHODS, ask.field("method"), "method"),
                        values={a: ask.field(a) for a in TYPED}, notation=ask.who.preferences)
    try:
        stored = store_typed_values(ask.house.store, ask.who.account, typed)
    except InputError as error:
        detail = "; ".join(filter(None, (f"{error.where}: {error.what}", error.found, error.allowed)))
        return _shown(ask, point.id, status=422, wrong=detail)
    return _shown(ask, point.id, stored=len(stored))


def _shown(ask: RequestContext, point: str, *, status: int = 200, wrong: str = "", stored: int = 0) -> Response:
    store, notation, typed = ask.house.store, ask.who.preferences, ask.query("search").strip()
    here = lookup.find_point(store, point, ask.access) if point else None
    found = [] if here else lookup.search_points(store, typed, ask.access)
    fields = [(a, ANALYTES[a].name, notation.unit_for(ANALYTES[a].unit), "" if stored else ask.field(a))
              for a in TYPED]
    return page(ask, "typed-values.html", status=status, wrong=wrong, stored=stored, here=here, found=found,
                typed=typed, fields=fields, methods=METHODS, method=ask.field("method"))
