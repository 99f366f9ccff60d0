"""Script, style and icon: the few files of the package's own, each found by its name in a list."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from starlette.responses import Response

from stripread.web.ask import Ask
from stripread.web.refusals import Refused

_TYPES = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}


@cache
def contents() -> dict[str, bytes]:
    """Every file by its name."""
    return {file.name: file.read_bytes() for file in (files("stripread.web") / "static").iterdir()
            if file.name.endswith(tuple(_TYPES))}


def static(ask: Ask) -> Response:
    """A file, to be kept for good: its address changes with its content."""
    name = ask.path("name")
    content = contents().get(name)
    if content is None:
        raise Refused(404, "not-found")
    return Response(content, media_type=_TYPES["." + name.rpartition(".")[2]],
                    headers={"cache-control": "public, max-age=31536000, immutable"})
