"""Rendering of pages and of the menu by role: all texts are escaped and come from the messages.

Unknown names raise an error. A menu has at most five entries; all pages of an account are at the foot.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Final

from jinja2 import BaseLoader, ChoiceLoader, Environment, PackageLoader, PrefixLoader, StrictUndefined
from starlette.responses import HTMLResponse, RedirectResponse, Response

from stripread.store.models.accounts import Role
from stripread.version import __version__
from stripread.web.authentication import SHORTEST, masked
from stripread.web.refusals import ADMINISTRATORS, ANALYSTS, CAN_MAINTAIN, CAN_TAKE_READINGS, EVERYONE, REVIEWERS
from stripread.web.request import RequestContext
from stripread.web.static_files import asset

#: Largest number of entries in a phone's bar.
MOST: Final = 5


@dataclass(frozen=True, slots=True)
class MenuEntry:
    """``id``: its text in the section ``menu`` and its icon; ``roles``: who may open the page."""

    id: str
    path: str
    roles: frozenset[Role] = EVERYONE


_MANAGERS: Final[frozenset[Role]] = frozenset({"manager"})
#: All pages, in the order in which they are shown.
PAGES: Final = tuple(MenuEntry(*given) for given in (
    ("today", "/"), ("take", "/take", CAN_TAKE_READINGS), ("review", "/review", REVIEWERS),
    ("batches", "/batches", ANALYSTS), ("system", "/system", ADMINISTRATORS), ("sites", "/sites"),
    ("decisions", "/decisions", _MANAGERS), ("schedule", "/schedule"), ("readings", "/readings"), ("me", "/me")))
#: Pages that are only at the foot.
OTHERS: Final = tuple(MenuEntry(*given) for given in (
    ("accounts", "/accounts", ADMINISTRATORS), ("cards", "/cards", ANALYSTS), ("values", "/values", CAN_TAKE_READINGS),
    ("commissioning", "/commissioning", CAN_MAINTAIN),
    ("labels", "/labels"), ("reports", "/reports"),
    ("integration", "/integration"), ("help", "/help")))
#: What each role needs daily.
_DAILY: Final[dict[Role, tuple[str, ...]]] = {
    "technician": ("today", "take", "sites", "schedule", "me"),
    "analyst": ("today", "batches", "take", "readings", "me"),
    "reviewer": ("today", "review", "readings", "sites", "me"),
    "manager": ("today", "sites", "decisions", "schedule", "readings"),
    "administrator": ("today", "system", "readings", "sites", "me"),
}
#: Last entry of an account with more pages than the bar has room for: the foot of the page.
_MORE: Final = MenuEntry("more", "#more")


def menu(roles: AbstractSet[Role], there: AbstractSet[str]) -> list[MenuEntry]:
    """Return the entries of an account with these roles; ``there``: paths that exist."""
    daily = {id_ for role in roles for id_ in _DAILY[role]}
    entries = [entry for entry in PAGES if entry.id in daily and entry.path in there]
    return entries if len(entries) <= MOST else [*entries[: MOST - 1], _MORE]


def foot(roles: AbstractSet[Role], there: AbstractSet[str]) -> list[MenuEntry]:
    """Return all pages that an account with these roles may open."""
    return [entry for entry in (*PAGES, *OTHERS) if entry.path in there and entry.roles & roles]


def is_open(entry: MenuEntry, path: str) -> bool:
    """Return whether a page is the entry's own, or one below it."""
    return path == entry.path or (entry.path != "/" and path.startswith(f"{entry.path}/"))


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


def page(request: RequestContext, template: str, *, status: int = 200, **shown: object) -> Response:
    """Return a page with the current user and the texts."""
    roles = frozenset[Role]() if request.identity is None else request.identity.roles
    there = {str(route.path) for route in request.http.app.routes}
    text = environment().get_template(template).render(
        messages=request.app.messages, user=request.identity, path=request.http.url.path,
        notation=request.notation, takes=bool(CAN_TAKE_READINGS & roles),
        demonstration=request.app.serving.demonstration,
        menu=menu(roles, there), foot=foot(roles, there), is_open=is_open, **shown)
    return HTMLResponse(text, status_code=status)


def go(to: str) -> Response:
    """Return a redirect after a form was processed."""
    return RedirectResponse(to, status_code=303)
