"""Rendering of pages: all texts are escaped and come from the messages; unknown names raise an error."""

from __future__ import annotations

import hashlib
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Final

from jinja2 import BaseLoader, ChoiceLoader, Environment, PackageLoader, PrefixLoader, StrictUndefined
from starlette.responses import HTMLResponse, RedirectResponse, Response

from shared.notation import PLAIN
from stripread.store.models.accounts import Role
from stripread.version import __version__
from stripread.web.csrf import masked
from stripread.web.menu import foot, is_open, menu
from stripread.web.passwords import SHORTEST
from stripread.web.refusals import CAN_TAKE_READINGS
from stripread.web.request import RequestContext

#: Media type by file extension.
TYPES: Final = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
                ".png": "image/png"}


@cache
def contents() -> dict[str, bytes]:
    """Return all static files by name."""
    ours = {file.name: file.read_bytes() for file in (files("stripread.web") / "static").iterdir()
            if file.name.endswith(tuple(TYPES))}
    return {**ours, "report.css": _nested_report_styles()}


def _nested_report_styles() -> bytes:
    """Return the style sheet of reports for a part of a page, an element of class ``report``."""
    text = (files("stripread.report") / "templates" / "style.css").read_text(encoding="utf-8")
    return f".report {{ {text.replace(':root', '&')} }}".encode()


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
    made.filters.update(moment=datetime.fromisoformat)
    made.globals.update(version=__version__, asset=asset, masked=masked, shortest_password=SHORTEST)
    return made


def page(ask: RequestContext, template: str, *, status: int = 200, **shown: object) -> Response:
    """Return a page with the current user and the texts."""
    roles = frozenset[Role]() if ask.visitor is None else ask.visitor.roles
    there = {str(route.path) for route in ask.request.app.routes}
    text = environment().get_template(template).render(
        words=ask.house.words, visitor=ask.visitor, path=ask.request.url.path,
        notation=PLAIN if ask.visitor is None else ask.visitor.preferences, takes=bool(CAN_TAKE_READINGS & roles),
        demonstration=ask.house.serving.demonstration,
        menu=menu(roles, there), foot=foot(roles, there), is_open=is_open, **shown)
    return HTMLResponse(text, status_code=status)


def go(to: str) -> Response:
    """Return a redirect after a form was processed."""
    return RedirectResponse(to, status_code=303)
