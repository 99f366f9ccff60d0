"""Templates to pages: everything escaped, every unknown name an error, every text from the words."""

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

#: Of each ending, what it is.
TYPES: Final = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}


@cache
def contents() -> dict[str, bytes]:
    """Every file by its name; the style of reports is that of pages too."""
    ours = {file.name: file.read_bytes() for file in (files("stripread.web") / "static").iterdir()
            if file.name.endswith(tuple(TYPES))}
    return {**ours, "report.css": (files("stripread.report") / "templates" / "style.css").read_bytes()}


@cache
def asset(name: str) -> str:
    """Address of a file, which browsers may keep for good."""
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
