"""Rendering of pages: all texts are escaped and come from the messages; unknown names raise an error."""

from __future__ import annotations

from datetime import datetime
from functools import cache

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
from stripread.web.static_files import asset


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
