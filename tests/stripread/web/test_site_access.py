"""Accounts restricted to groups of sites: every route, with every role, as if nothing existed elsewhere."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest

from assess.equipment import DEFAULT_EQUIPMENT, load_equipment
from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.intake.materials_import import import_file, register_chart
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.operations.decisions import Decisions, Proposal
from stripread.store import sessions
from stripread.store.accounts import list_accounts, restrict_account
from stripread.store.audit_trail import chain_links
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import ROLES, Role
from stripread.store.models.sites import Machine, SamplingPoint, Site, SiteGroup, Unit
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store
from stripread.web.app import ROUTES
from stripread.web.dispatch import NAMED
from stripread.web.request import Endpoint
from stripread.web.worker import Workers

from .conftest import BATCH, Browser, Served, picture, serving, store_in

#: Only in the records of the other group.
SECRET = "quokka"
#: Forms that end the session of the account that sends them.
ENDING = {"/sign-out"}


@dataclass(frozen=True, slots=True)
class Divided:
    """A server with two groups of sites, and ids in the group that the account does not see, by parameter."""

    served: Served
    foreign: dict[str, str]
    own: str


@pytest.fixture(scope="module")
def divided(tmp_path_factory: pytest.TempPathFactory, workers: Workers, samples: Path,
            sample_chart: Chart) -> Iterator[Divided]:
    with serving(store_in(tmp_path_factory.mktemp("divided")), workers) as running:
        running.app.code = ""
        lead = running.account(*ROLES)
        with running.store.writing(lead) as work:
            for group, name in (("north", "North"), (f"{SECRET}-group", f"{SECRET} group")):
                work.put(SiteGroup(id=group, name=name), "made")
            for site, group in (("mill", "north"), (f"{SECRET}-wharf", f"{SECRET}-group")):
                work.put(Site(id=site, name=f"{site} site", group=group), "made")
                work.put(SamplingPoint(id=f"{site}-tap", site=site, place="mains", name=f"tap of {site}"), "made")
            work.put(Unit(id=f"{SECRET}-unit", site=f"{SECRET}-wharf", catalogue="carbon-filter",
                          unit=load_units()["carbon-filter"]), "made")
        register_chart(running.store, lead, sample_chart)
        import_file(running.store, lead, samples / "card-run-007.txt")
        for site in ("mill", f"{SECRET}-wharf"):
            Decisions(running.store, lead).propose(load_intervals(), Proposal(site=site, what=f"Soften at {site}"))
        foreign = {"site": f"{SECRET}-wharf", "point": f"{SECRET}-wharf-tap", "group": f"{SECRET}-group",
                   "reading": taken(running.browser(lead), f"{SECRET}-wharf-tap", samples), "analyte": "hardness"}
        yield Divided(running, foreign, taken(running.browser(lead), "mill-tap", samples))


def taken(browser: Browser, point: str, samples: Path) -> str:
    answer = browser.send("POST", "/take/original", params={"batch": BATCH, "point": point, "name": f"{point}.jpg"},
                          content=picture(samples)["buffer"])
    found = re.search(r'data-reading="([^"]+)"', answer.text)
    assert found
    return found[1]


def restricted(divided: Divided, *roles: Role) -> Browser:
    account = divided.served.account(*roles)
    administrator = divided.served.account("administrator")
    restrict_account(divided.served.store, account, ["north"], by=administrator)
    return divided.served.browser(account)


def filled(way: Endpoint, foreign: dict[str, str]) -> str:
    """The address with ids of the other group; a parameter that belongs to no group gets one that does not exist."""
    return re.sub(r"\{([^}]+)\}", lambda m: foreign.get(m[1].partition(":")[0], "none-such"), way.path)


def test_every_parameter_that_names_a_record_of_a_site_is_known() -> None:
    """A new route with a parameter of another name needs a decision: in `reach.NAMED`, or here."""
    elsewhere = {"version", "name", "analyte", "account", "batch", "chart", "key", "page", "report", "decision", "run",
                 "card", "week", "standard", "tube", "topic", "folder", "task"}
    asked = {p.partition(":")[0] for way in ROUTES for p in re.findall(r"\{([^}]+)\}", way.path)}
    assert asked <= set(NAMED) | elsewhere


@pytest.mark.parametrize("role", ROLES)
def test_nothing_of_another_group_is_seen_or_changed(role: Role, divided: Divided) -> None:
    browser, store = restricted(divided, role), divided.served.store
    before = entries_on(store, divided.foreign)
    for way in ROUTES:
        if way.path in ENDING:
            continue
        address = filled(way, divided.foreign)
        answer = browser.send(way.method, address)
        assert answer.status_code != 500, way
        assert SECRET not in answer.text.casefold().replace(address, ""), way
        if way.method == "GET" and any(f"{{{name}}}" in way.path for name in NAMED):
            assert answer.status_code in (403, 404), way
    assert entries_on(store, divided.foreign) == before


def entries_on(store: Store, foreign: dict[str, str]) -> int:
    """Number of entries of the audit trail on the records of the other group."""
    with store.viewing() as connection:
        return sum(len(list(chain_links(connection, record=id_))) for id_ in foreign.values())


@pytest.mark.parametrize("name", ["site", "point", "group", "reading", "replaces", "before"])
def test_a_named_record_of_another_group_does_not_exist(name: str, divided: Divided) -> None:
    browser = restricted(divided, *ROLES)
    foreign = divided.foreign["reading" if name in ("replaces", "before") else name]
    assert browser.get("/api/readings", params={name: foreign}, headers={"accept": "application/json"}).status_code in (
        401, 403, 404)
    assert browser.send("POST", "/take/original", params={"batch": BATCH, name: foreign}).status_code == 404
    assert browser.post(f"/readings/{divided.own}/move", **{name: foreign}, why="x").status_code == 404


@pytest.mark.parametrize(("path", "body"), [
    ("/decisions", {"site": "{site}", "what": "Soften"}),
    ("/values", {"point": "{point}", "method": "meter", "ph": 7.0}),
    ("/readings/{own}/move", {"point": "{point}", "why": "x"}), ("/review/{reading}/accept", {}),
    ("/readings/{reading}/reports", {}), ("/commissioning", {"unit": "{unit}"}),
    ("/due/done", {"kind": "treatment", "unit": "{unit}"}), ("/changes/intervals", {"points": ["{point}"], "days": 8}),
    ("/changes/units", {"points": ["{point}"], "catalogue": "carbon-filter", "confirmed": True}),
    ("/changes/limits", {"points": ["{point}"], "since": "2031-05-04", "confirmed": True})])
def test_a_request_of_a_program_names_nothing_of_another_group(
    path: str, body: dict[str, object], divided: Divided
) -> None:
    """By fields of its body, as by those of a form: not found, and nothing is changed."""
    account, store = divided.served.account(*ROLES), divided.served.store
    restrict_account(store, account, ["north"], by=divided.served.account("administrator"))
    secret = sessions.make_token(store, account, "a program", sessions.SCOPES)
    program = divided.served.browser(authorization=f"Bearer {secret}", accept="application/json").client
    given = msgspec.json.encode([path, body]).decode().replace("{own}", divided.own)
    for name, id_ in {**divided.foreign, "unit": f"{SECRET}-unit"}.items():
        given = given.replace(f"{{{name}}}", id_)
    address, asked = msgspec.json.decode(given)
    before = entries_on(store, divided.foreign)
    answer = program.post(f"/api{address}", json=asked)
    assert answer.status_code == 404, answer.text
    assert SECRET not in answer.text
    assert entries_on(store, divided.foreign) == before


def test_an_unknown_sampling_point_names_no_other(divided: Divided, samples: Path) -> None:
    """A photograph for a point that is gone: rejected with the field at fault, so that the phone can leave it out."""
    answer = restricted(divided, "technician").send(
        "POST", "/take/original", params={"batch": BATCH, "point": "gone"}, content=picture(samples)["buffer"],
        headers={"accept": "application/json"})
    assert (answer.status_code, answer.json()["field"]) == (422, "point")
    assert SECRET not in answer.text


def test_the_own_group_is_seen(divided: Divided) -> None:
    browser = restricted(divided, *ROLES)
    for path in ("/", "/api/sites", "/api/due", "/api/decisions"):
        assert "mill site" in browser.get(path).text
    assert browser.get(f"/readings/{divided.own}").status_code == 200
    lead = divided.served.role(*ROLES)
    assert SECRET in lead.get("/").text


def test_an_administrator_restricts_and_lifts(divided: Divided) -> None:
    store, other = divided.served.store, divided.served.account("technician")
    administrator = divided.served.role("administrator")
    for groups in (["north"], []):
        assert administrator.post(f"/accounts/{other}/groups", group=groups).status_code == 303
        assert next(a.groups for a in list_accounts(store) if a.account == other) == tuple(groups)
    assert administrator.post(f"/accounts/{other}/groups", group=["none-such"]).status_code == 422
    with pytest.raises(RecordsError, match="no such group"):
        restrict_account(store, other, ["none-such"], by=divided.served.account("administrator"))


def test_a_machine_follows_its_site(divided: Divided) -> None:
    store = divided.served.store
    with store.writing(divided.served.account(*ROLES)) as work:
        for site in ("mill", f"{SECRET}-wharf"):
            work.put(Machine(id=f"{site}-machine", site=site, equipment=load_equipment(DEFAULT_EQUIPMENT)), "made")
    north = SiteAccess("nobody", frozenset({"north"}))
    assert north.includes_record(store, Machine, "mill-machine")
    assert not north.includes_record(store, Machine, f"{SECRET}-wharf-machine")
    assert SiteAccess().includes_record(store, Machine, f"{SECRET}-wharf-machine")
