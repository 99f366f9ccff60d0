"""Commissioning of a unit on the pages: set, tap, outlet, result, sheet, as the records show how far it is."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from assess.equipment import DEFAULT_EQUIPMENT, load_equipment
from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.store.accounts import restrict_account
from stripread.store.models.materials import StoredChart
from stripread.store.models.sites import Machine, SamplingPoint, Service, Unit
from tests.stripread.store.histories import Value

from .conftest import Browser, Served
from .records import HARD, Material, fill, put_reading

#: Water of the tap in `records` after 90 % removal of its alkalinity from 60 % of it: 40 % passes the resin by.
BLENDED = {**HARD, "hardness": Value(196.0, 4.0, 3.0), "alkalinity": Value(106.0, 4.0, 3.0), "ph": Value(6.7, 0.3, 0.1)}
HERE = "/commissioning?unit=quay-filter"


@pytest.fixture
def material(served: Served, sample_chart: Chart) -> Material:
    """Records with a unit at one site, and a sampling point of its treated water."""
    account = served.account("administrator", "technician")
    fill(served.store, account, sample_chart)
    served.app.code = ""
    with served.store.writing(account) as work:
        work.put(Unit(id="quay-filter", site="quay", catalogue="weak-acid-exchange",
                      unit=load_units()["weak-acid-exchange"]), "made")
        work.put(Machine(id="quay-machine", site="quay", equipment=load_equipment(DEFAULT_EQUIPMENT)), "made")
        # With it the used capacity is known; else a resin nearly exhausted would explain the strips as well.
        work.put(Service(id="fitting", unit="quay-filter", at=work.now - timedelta(days=2), job="fitted",
                         account=account), "made")
        work.put(SamplingPoint(id="quay-out", site="quay", place="after treatment", name="outlet"), "made")
    (chart,) = served.store.find(StoredChart)
    return Material(served.store, account, chart.chart)


def heading(browser: Browser) -> str:
    return re.sub(r"<[^>]+>", "", "".join(re.findall(r"<h1>(.*?)</h1>", browser.get(HERE).text, re.DOTALL))).strip()


def test_from_setting_to_the_sheet(served: Served, material: Material) -> None:
    """The strips contradict the setting on file, then confirm the one to which the unit is turned again."""
    technician = served.role("technician")
    assert "The Quay" in technician.get("/commissioning").text
    assert heading(technician) == "Set the unit"
    assert technician.post("/commissioning", unit="quay-filter", setting="45").status_code == 422
    assert technician.post("/commissioning", unit="quay-filter", setting="much").status_code == 422
    assert technician.post("/commissioning", unit="quay-filter", setting="10 %").status_code == 303
    (service,) = (s for s in served.store.find(Service) if s.id != "fitting")
    assert service.job == "setting changed"
    assert service.setting == pytest.approx(0.1)
    assert heading(technician) == "Photograph the feed water"
    assert technician.get("/commissioning/sheet?unit=quay-filter").status_code == 422
    put_reading(material, "tap now", "quay-tap", HARD, days_ago=0)
    assert heading(technician) == "Photograph the treated water"
    assert "/take?point=quay-out&amp;next=/commissioning" in technician.get(HERE).text.replace("%3F", "?")
    put_reading(material, "out now", "quay-out", BLENDED, days_ago=0)
    assert heading(technician) == "Turn and dip again"
    assert "turn it to 10 %" in technician.get(HERE).text
    technician.post("/commissioning", unit="quay-filter", setting="40")
    assert heading(technician) == "Photograph the treated water"
    put_reading(material, "out again", "quay-out", BLENDED, days_ago=0)
    assert heading(technician) == "Setting confirmed"
    sheet = technician.get("/commissioning/sheet?unit=quay-filter").text
    assert "Before and after the unit" in sheet
    assert "Signatures" in sheet
    assert technician.get("/commissioning/sheet?unit=quay-filter&form=pdf").content.startswith(b"%PDF")


def test_a_unit_of_another_group_is_not_commissioned(served: Served, material: Material) -> None:
    account = served.account("technician")
    restrict_account(served.store, account, ["south"], by=served.account("administrator"))
    browser = served.browser(account)
    assert "The Quay" not in browser.get("/commissioning").text
    assert browser.get(HERE).status_code == 404
    assert browser.post("/commissioning", unit="quay-filter", setting="10").status_code == 404
    assert [s.id for s in material.store.find(Service)] == ["fitting"]
