"""Script, style and icon."""

from __future__ import annotations

from starlette.responses import Response

from stripread.web.assets import TYPES, contents
from stripread.web.refusals import HTTPRefusal
from stripread.web.request import RequestContext


def static(ask: RequestContext) -> Response:
    """A file, found by its name in a list, to be kept for good: its address changes with its content."""
    name = ask.path("name")
    content = contents().get(name)
    if content is None:
        raise HTTPRefusal(404, "not-found")
    return Response(content, media_type=TYPES["." + name.rpartition(".")[2]],
                    headers={"cache-control": "public, max-age=31536000, immutable"})
