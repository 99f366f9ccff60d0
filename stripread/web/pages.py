"""Templates to pages: everything escaped, every unknown name an error, every text from the words."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.responses import HTMLResponse, RedirectResponse, Response

from stripread.version import __version__
from stripread.web.ask import Ask
from stripread.web.csrf import masked
from stripread.web.passwords import SHORTEST


@cache
def environment() -> Environment:
    """The templates of the pages."""
    made = Environment(loader=PackageLoader("stripread.web"), autoescape=True, undefined=StrictUndefined,
                       trim_blocks=True, lstrip_blocks=True)
    made.globals.update(version=__version__, asset=asset, masked=masked, shortest_password=SHORTEST)
    return made


@cache
def asset(name: str) -> str:
    """Address of a file of ours, which changes with its content, so that browsers may keep it for good."""
    content = (files("stripread.web") / "static" / name).read_bytes()
    return f"/static/{hashlib.sha256(content).hexdigest()[:12]}/{name}"


def page(ask: Ask, template: str, *, status: int = 200, **shown: object) -> Response:
    """A page, with who looks at it and the texts."""
    text = environment().get_template(template).render(
        words=ask.house.words, visitor=ask.visitor, path=ask.request.url.path, **shown)
    return HTMLResponse(text, status_code=status)


def go(to: str) -> Response:
    """Send the browser on, after a form was taken."""
    return RedirectResponse(to, status_code=303)
