"""Every page within three taps of Today: the links are followed, on pages as an account of all roles sees them."""

from __future__ import annotations

import re
from html import unescape
from importlib.resources import files
from urllib.parse import urlsplit

from starlette.routing import compile_path

from stripread.intake.standards import plan_standards
from stripread.store.models.accounts import ROLES
from stripread.web.app import ROUTES

from .conftest import Browser, Served

#: Linked where a unit was commissioned, and where the photograph is stored: the records here have neither.
LATER = {"/commissioning/sheet", "/readings/{reading}/re-evaluate"}
#: No pages: files, data for programs and scripts, what answers a printed label, before an account is signed in.
NOT_PAGES = re.compile(r"/(static|api|health|metrics|first|sign-in|calendar|service-worker|manifest)"
                       r"|/control-chart|/[pt]$|/progress$|/tasks/|/cards/print|/take/|/together|picture|/pads/|/original|/details|/help/files")


PAGES = {r.path: compile_path(r.path)[0] for r in ROUTES if r.method == "GET" and not NOT_PAGES.search(r.path)}


def routes_within(browser: Browser, taps: int) -> set[str]:
    """Return the routes that links lead to; of each route one page is followed."""
    found, edge = {"/"}, ["/"]
    for _ in range(taps):
        links = {urlsplit(unescape(link)).path for page in edge
                 for link in re.findall(r'<a [^>]*href="(/[^"]*)"', browser.get(page).text)}
        edge = []
        for link in sorted(links):
            route = next((path for path, form in PAGES.items() if form.match(link)), "")
            if route and route not in found:
                found.add(route)
                edge.append(link)
    return found


def test_every_page_is_within_three_taps_of_today(stocked: Served) -> None:
    """The standards of a batch are planned, so that its sheet and labels are linked."""
    plan = files("calibration").joinpath("data/standards-plan.toml").read_text("utf-8").replace('"demo-24"', '"A"')
    plan_standards(stocked.store, stocked.account("analyst"), "A", plan)
    assert len(PAGES) > 25
    assert PAGES.keys() - routes_within(stocked.role(*ROLES), 3) <= LATER
