"""Sites, map and schedule: ranking, filters, download; work ticked off and taken back; the calendar's address."""

from __future__ import annotations

import csv
import io
import re
from datetime import timedelta

import icalendar
import msgspec
import pytest

from assess.treatment.unit import load_units
from stripread.intake.card_inspections import retire_card
from stripread.store.models.materials import Card, Tube
from stripread.store.models.sites import Service, Site, Unit
from stripread.store.sessions import tokens_of

from .conftest import Served
from .records import HOSTILE, LONG


@pytest.fixture(scope="module")
def treated(stocked: Served) -> Served:
    """With coordinates of two sites, and a unit at the first that was installed long ago."""
    store, account = stocked.store, stocked.account("manager")
    with store.writing(account) as work:
        for id_, latitude in (("quay", 12.5), ("long", 12.9)):
            site = store.get(Site, id_)
            work.put(msgspec.structs.replace(site, latitude=latitude, longitude=33.0), "moved")
        carbon = load_units()["carbon-filter"]
        work.put(Unit(id="quay-unit", site="quay", catalogue="carbon-filter", unit=carbon), "made")
        work.put(Service(id="installed", unit="quay-unit", at=store.clock().replace(year=store.clock().year - 2),
                         job="installed", account=account), "installed")
        work.put(Unit(id="long-unit", site="long", catalogue="weak-acid-exchange",
                      unit=load_units()["weak-acid-exchange"]), "made")
        work.put(Service(id="turned", unit="long-unit", at=store.clock() - timedelta(days=200), job="installed",
                         setting=0.3, account=account), "installed")
        work.put(Service(id="changed", unit="long-unit", at=store.clock() - timedelta(days=20),
                         job="cartridge changed", account=account), "cartridge changed")
    return stocked


def test_what_is_out_of_limits_comes_first(treated: Served) -> None:
    text = treated.role("manager").get("/sites").text
    order = re.findall(r'<a href="/sites/(quay|hostile|long)">', text)
    assert order[0] == "quay"
    assert set(order) == {"quay", "hostile", "long"}
    assert LONG in text
    assert HOSTILE not in text


def test_filters_and_download(treated: Served) -> None:
    manager = treated.role("manager")
    answer = manager.get("/sites", params={"verdict": "out-of-limits", "format": "csv"})
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["site"] for row in rows] == ["quay"]
    assert rows[0]["deviation"]
    assert re.fullmatch(r"at (least|most) [\d.]+|[\d.]+ to [\d.]+", rows[0]["limit"])
    assert re.match(r"\S+ .*\(.* to .*\)$", rows[0]["value"]), "rounded by its interval"
    assert "No site matches these filters." in manager.get("/sites", params={"search": "no such"}).text
    assert manager.get("/sites", params={"verdict": "splendid"}).status_code == 422


def test_the_map_has_the_sites_with_coordinates(treated: Served) -> None:
    """The northern one is above; both on one meridian."""
    text = treated.role("technician").get("/sites/map").text
    dots = {id_: (float(x), float(y)) for x, y, id_ in re.findall(
        r'<svg x="(\S+)%" y="(\S+)%"[^>]*><a href="/sites/(\w+)"', text)}
    assert dots.keys() == {"quay", "long"}
    assert dots["quay"][0] == dots["long"][0]
    assert dots["long"][1] < dots["quay"][1]


@pytest.mark.parametrize("site", ["quay", "hostile", "long"])
def test_the_page_of_a_site(site: str, treated: Served) -> None:
    manager = treated.role("manager")
    answer = manager.get(f"/sites/{site}")
    assert answer.status_code == 200
    assert ("setting 30 %" in answer.text) == (site == "long"), "a changed cartridge leaves the valve where it is"
    assert HOSTILE not in answer.text
    assert "Points in flow order" in answer.text
    assert manager.get(f"/sites/{site}", params={"analyte": "silica"}).status_code == 422
    assert manager.get(f"/sites/{site}/report").status_code == 200
    assert manager.get(f"/sites/{site}/report", params={"form": "pdf"}).content.startswith(b"%PDF")


def test_work_is_ticked_off_and_taken_back(treated: Served) -> None:
    technician = treated.role("technician")
    assert 'value="quay-unit"' in technician.get("/schedule").text
    done = technician.post("/schedule/done", kind="treatment", unit="quay-unit")
    assert done.status_code == 303
    service = treated.store.get(Service, done.headers["location"].rpartition("=")[2])
    assert (service.unit, service.job, service.struck) == ("quay-unit", "cartridge changed", None)
    assert 'value="quay-unit"' not in technician.get("/schedule").text
    filtered = technician.post("/schedule/done?search=quay&sort=site&kind=tube&done=x", kind="treatment",
                               unit="quay-unit").headers["location"]
    assert re.fullmatch(r"/schedule\?search=quay&sort=site&kind=treatment&done=\w+", filtered)
    assert 'action="/schedule/undo?search=quay&amp;sort=site"' in technician.get(filtered).text
    back = technician.post("/schedule/undo?search=quay&sort=site", kind="treatment", done=filtered.rpartition("=")[2])
    assert back.headers["location"] == "/schedule?search=quay&sort=site"
    technician.post("/schedule/undo", kind="treatment", done=service.id)
    assert treated.store.get(Service, service.id).struck
    assert 'value="quay-unit"' in technician.get("/schedule").text
    assert technician.post("/schedule/done", kind="treatment", unit="none").status_code == 404


def test_only_what_the_same_account_ticked_off_is_taken_back(treated: Served) -> None:
    """Not a card that an analyst retired with a reason, nor work that another account recorded."""
    store, technician = treated.store, treated.role("technician")
    analyst = treated.account("analyst")
    with store.writing(analyst) as work:
        work.put(Card(id="card-a", run=7), "made")
        work.put(Card(id="card-b", run=7), "made")
        work.put(Tube(id="tube-a", batch="A"), "made")
    retire_card(store, analyst, "card-a", "scratched")
    refused = technician.post("/schedule/undo", kind="card", done="card-a")
    assert refused.status_code == 422
    assert "card retired by account" in refused.text
    assert store.get(Card, "card-a").retired
    assert technician.post("/schedule/undo", kind="treatment", done="installed").status_code == 422
    for kind, id_, type_, field in (("card", "card-b", Card, "retired"), ("tube", "tube-a", Tube, "finished")):
        assert technician.post("/schedule/done", kind=kind, **{kind: id_}).status_code == 303
        assert treated.role("manager").post("/schedule/undo", kind=kind, done=id_).status_code == 422
        assert getattr(store.get(type_, id_), field)
        assert technician.post("/schedule/undo", kind=kind, done=id_).status_code == 303
        assert getattr(store.get(type_, id_), field) is None


def test_a_subscription_is_read_only_and_ends_when_it_is_revoked(treated: Served) -> None:
    account = treated.account("technician")
    technician = treated.browser(account)
    (address,) = re.findall(r"<code>([^<]+)</code>", technician.post("/schedule/subscribe").text)
    anyone = treated.browser()
    path = address.removeprefix(treated.url)
    events = list(icalendar.Calendar.from_ical(anyone.get(path).content).walk("VEVENT"))
    assert any("The Quay" in str(event["summary"]) for event in events)
    secret = path.rpartition("=")[2]
    program = treated.browser(authorization=f"Bearer {secret}", accept="application/json")
    assert program.get("/api/readings").status_code == 403
    (token,) = tokens_of(treated.store, account)
    technician.post("/me/tokens/end", token=token.hash)
    assert anyone.get(path).status_code in (303, 401)
    assert anyone.get("/calendar").status_code in (303, 401)
