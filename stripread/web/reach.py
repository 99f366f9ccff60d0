"""Records that a request names, checked against what its account may see, for every route alike."""

from __future__ import annotations

from typing import Final

from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.record import Record
from stripread.store.models.sites import Machine, SamplingPoint, Site, SiteGroup, Unit
from stripread.web.request import RequestContext

#: Type of the record whose id a parameter of the path, the query or a form contains.
NAMED: Final[dict[str, type[Record]]] = {
    "reading": StoredReading, "replaces": StoredReading, "photograph": Photograph, "site": Site, "point": SamplingPoint,
    "group": SiteGroup, "machine": Machine, "unit": Unit}


def check_reach(ask: RequestContext) -> None:
    """Raise HTTPRefusal (404) for a request that names a record which its account may not see."""
    if ask.visitor is None or ask.access.groups is None:
        return
    for name, type_ in NAMED.items():
        for value in {str(ask.request.path_params.get(name, "")), *ask.request.query_params.getlist(name),
                      *ask.form.get(name, [])} - {""}:
            ask.demand(type_, value)
