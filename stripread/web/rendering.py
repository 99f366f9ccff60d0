"""Templates to pages: everything escaped, every unknown name an error, every text from the words."""

from __future__ import annotations

from functools import cache

from jinja2 import BaseLoader, ChoiceLoader, Environment, PackageLoader, PrefixLoader, StrictUndefined
from starlette.responses import HTMLResponse, RedirectResponse, Response

from shared.notation import PLAIN
from stripread.version import __version__
from stripread.web.assets import asset
from stripread.web.csrf import masked
from stripread.web.passwords import SHORTEST
from stripread.web.request import RequestContext
from stripread.web.roles import CAN_TAKE_READINGS


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
    """The templates of the pages."""
    loader = ChoiceLoader([PackageLoader("stripread.web"), _Reports({"report": PackageLoader("stripread.report")})])
    made = _Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True,
                        lstrip_blocks=True)
    made.globals.update(version=__version__, asset=asset, masked=masked, shortest_password=SHORTEST)
    return made


def page(ask: RequestContext, template: str, *, status: int = 200, **shown: object) -> Response:
    """A page, with who looks at it and the texts."""
    text = environment().get_template(template).render(
        words=ask.house.words, visitor=ask.visitor, path=ask.request.url.path,
        notation=PLAIN if ask.visitor is None else ask.visitor.preferences,
        takes=ask.visitor is not None and bool(CAN_TAKE_READINGS & ask.visitor.roles), **shown)
    return HTMLResponse(text, status_code=status)


def go(to: str) -> Response:
    """Send the browser on, after a form was taken."""
    return RedirectResponse(to, status_code=303)
