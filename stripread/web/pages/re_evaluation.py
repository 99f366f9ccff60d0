"""Re-evaluation of many readings: their list; the page's script asks for the effect on each, then supersedes."""

from __future__ import annotations

from typing import Final

from starlette.responses import Response

from stripread.store.reading_query import count_readings, readings
from stripread.web.listing import list_address
from stripread.web.pages.reading_list import reading_filter
from stripread.web.reading_view import glyphs
from stripread.web.rendering import page
from stripread.web.request import RequestContext

#: Readings of one page: each takes about a second to evaluate.
MOST: Final = 100


def show(request: RequestContext) -> Response:
    """Return the readings that the address selects, as the list of readings does."""
    store, wanted = request.store, reading_filter(request)
    found = readings(store, wanted, MOST)
    back = list_address(request).link().replace("/re-evaluation", "/readings", 1)
    return page(request, "re-evaluation.html", found=found, total=count_readings(store, wanted), most=MOST, back=back,
                colours=glyphs(store, [row.id for row in found]))
