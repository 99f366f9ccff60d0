"""Rendering of pages: all texts are escaped and come from the messages; unknown names raise an error."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from typing import Final

from jinja2 import BaseLoader, ChoiceLoader, Environment, PackageLoader, PrefixLoader, StrictUndefined
from starlette.responses import HTMLResponse, RedirectResponse, Response

from shared.notation import PLAIN
from stripread.version import __version__
from stripread.web.csrf import masked
from stripread.web.passwords import SHORTEST
from stripread.web.refusals import CAN_TAKE_READINGS
from stripread.web.request import RequestContext

#: Media type by file extension.
TYPES: Final = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}


@cache
def contents() -> dict[str, bytes]:
    """Return all static files by name; pages share the style sheet of reports."""
    ours = {file.name: file.read_bytes() for file in (files("stripread.web") / "static").iterdir()
            if file.name.endswith(tuple(TYPES))}
    return {**ours, "report.css": (files("stripread.report") / "templates" / "style.css").read_bytes()}


@cache
def asset(name: str) -> str:
    """Return the address of a file, which browsers cache without expiry."""
    return f"/static/{hashlib.sha256(contents()[name]).hexdigest()[:12]}/{name}"


class _Reports(PrefixLoader):
    """Templates of reports, known by their whole name, so that `join_path` sees where they lie."""

    load = BaseLoader.load


class _Environment(Environment):
    """A template of the reports names others of the reports."""

    def join_path(self, template: str, parent: str) -> str:
        """Where ``template`` lies, as ``parent`` names it."""
        return f"report/{template}" if parent.startswith("report/") else template


@cache
def environment() -> Environment:
    """Return the templates of the pages."""
    loader = ChoiceLoader([PackageLoader("stripread.web"), _Reports({"report": PackageLoader("stripread.report")})])
    made = _Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True,
                        lstrip_blocks=True)
    made.globals.update(version=__version__, asset=asset, masked=masked, shortest_password=SHORTEST)
    return made


def page(ask: RequestContext, template: str, *, status: int = 200, **shown: object) -> Response:
    """Return a page with the current user and the texts."""
    text = environment().get_template(template).render(
        words=ask.house.words, visitor=ask.visitor, path=ask.request.url.path,
        notation=PLAIN if ask.visitor is None else ask.visitor.preferences,
        takes=ask.visitor is not None and bool(CAN_TAKE_READINGS & ask.visitor.roles), **shown)
    return HTMLResponse(text, status_code=status)


def go(to: str) -> Response:
    """Return a redirect after a form was processed."""
    return RedirectResponse(to, status_code=303)
