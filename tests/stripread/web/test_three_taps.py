"""Every page within three taps of Today: the links are followed, on pages as an account of all roles sees them."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape
from importlib.resources import files
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from starlette.routing import compile_path

from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.intake.materials_import import import_file
from stripread.intake.standards import plan_standards
from stripread.store.models.accounts import ROLES
from stripread.store.models.materials import StoredChart
from stripread.store.models.sites import SamplingPoint, Service, Unit
from stripread.web.app import ROUTES

from .conftest import Browser, Served, picture
from .records import HARD, SOFT, Material, fill, put_reading

#: No pages: files, data for programs and scripts, what answers a printed label, before an account is signed in.
NOT_PAGES = re.compile(r"/(static|api|health|metrics|first|sign-in|calendar|service-worker|manifest)"
                       r"|/control-chart|/[pt]$|/progress$|/tasks/|/cards/print|/take/|/together|picture|/pads/|/original|/details|/help/files")


PAGES = {r.path: compile_path(r.path)[0] for r in ROUTES if r.method == "GET" and not NOT_PAGES.search(r.path)}


def routes_within(browser: Browser, taps: int) -> set[str]:
    """Return the routes that links lead to; of each route one page is followed, and one of a unit that it names."""
    found, edge = {("/", False)}, ["/"]
    for _ in range(taps):
        links = {unescape(link) for page in edge
                 for link in re.findall(r'<a [^>]*href="(/[^"]*)"', browser.get(page).text)}
        edge = []
        for link in sorted(links):
            at = urlsplit(link)
            route = next((path for path, form in PAGES.items() if form.match(at.path)), "")
            kind = (route, "unit" in parse_qs(at.query))
            if route and kind not in found:
                found.add(kind)
                edge.append(link)
    return {route for route, _ in found}


@pytest.fixture
def server(served: Served, sample_chart: Chart, samples: Path) -> Served:
    """Standards that are planned, a unit that was commissioned, and a reading whose photograph is stored."""
    account, store = served.account(*ROLES), served.store
    fill(store, account, sample_chart)
    served.app.code = ""
    plan = files("calibration").joinpath("data/standards-plan.toml").read_text("utf-8").replace('"demo-24"', '"A"')
    plan_standards(store, account, "A", plan)
    with store.writing(account) as work:
        work.put(Unit(id="quay-filter", site="quay", catalogue="weak-acid-exchange",
                      unit=load_units()["weak-acid-exchange"]), "made")
        work.put(Service(id="fitting", unit="quay-filter", at=work.now - timedelta(minutes=5), job="installed",
                         account=account), "made")
        work.put(SamplingPoint(id="quay-out", site="quay", place="after treatment", name="outlet"), "made")
    (chart,) = store.find(StoredChart)
    for point, values in (("tap", HARD), ("out", SOFT)):
        put_reading(Material(store, account, chart.chart), f"{point} now", f"quay-{point}", values, days_ago=0)
    import_file(store, account, samples / "card-run-007.txt")
    photograph = served.browser(account).send(
        "POST", "/take/original", params={"batch": "A", "point": "quay-tap"}, content=picture(samples)["buffer"])
    assert photograph.status_code == 200
    return served


def test_every_page_is_within_three_taps_of_today(server: Served) -> None:
    assert len(PAGES) > 25
    assert PAGES.keys() - routes_within(server.role(*ROLES), 3) == set()
