"""Commissioning of a unit on the pages: set, tap, outlet, result, sheet, as the records show how far it is."""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest
from playwright.sync_api import FilePayload, expect

from assess.equipment import DEFAULT_EQUIPMENT, load_equipment
from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.store.accounts import restrict_account
from stripread.store.models.materials import StoredChart
from stripread.store.models.sites import Machine, SamplingPoint, Service, Unit
from stripread.store.reading_query import ReadingFilter, readings
from tests.stripread.intake.phone_photos import phone_photo
from tests.stripread.store.histories import Value

from .conftest import BATCH, POINT, Browser, Open, Served
from .records import HARD, Material, fill, put_reading

#: Water of the tap in `records` after 90 % removal of its alkalinity from 60 % of it: 40 % passes the resin by.
BLENDED = {**HARD, "hardness": Value(196.0, 4.0, 3.0), "alkalinity": Value(106.0, 4.0, 3.0), "ph": Value(6.7, 0.3, 0.1)}
HERE = "/commissioning?unit=quay-filter"
#: With the marks of its valve.
EXCHANGER = msgspec.structs.replace(load_units()["weak-acid-exchange"], bypass_settings=(0.0, 0.1, 0.2, 0.3, 0.4))


@pytest.fixture
def material(served: Served, sample_chart: Chart) -> Material:
    """Records with a unit at one site, and a sampling point of its treated water."""
    account = served.account("administrator", "technician")
    fill(served.store, account, sample_chart)
    served.app.code = ""
    with served.store.writing(account) as work:
        work.put(Unit(id="quay-filter", site="quay", catalogue="weak-acid-exchange", unit=EXCHANGER), "made")
        work.put(Machine(id="quay-machine", site="quay", equipment=load_equipment(DEFAULT_EQUIPMENT)), "made")
        # With it the used capacity is known; else a resin nearly exhausted would explain the strips as well.
        work.put(Service(id="fitting", unit="quay-filter", at=work.now - timedelta(days=2), job="installed",
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
    assert heading(technician) == "Setting not confirmed"
    assert "turn it to 10 %" in technician.get(HERE).text
    technician.post("/commissioning", unit="quay-filter", setting="40")
    assert heading(technician) == "Photograph the treated water"
    # The photograph of the first setting leaves the step where it is, and the page states why.
    assert "is too old: the unit was set" in technician.get(HERE).text
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


def just_taken(samples: Path, name: str) -> FilePayload:
    """A photograph of this second by its own time, which is that of the site."""
    now = f"{datetime.now(UTC) + timedelta(seconds=1):%Y:%m:%d %H:%M:%S}"
    data = phone_photo(samples / "sites" / f"{name}.jpg", taken=now).data + os.urandom(8)
    return {"name": f"{name}.jpg", "mimeType": "image/jpeg", "buffer": data}


def test_both_waters_are_photographed(bench: Served, open_page: Open, samples: Path) -> None:
    """The unit is set, each strip photographed on the page Take, which leads back, until there is a result."""
    account = bench.account("technician")
    with bench.store.writing(account) as work:
        work.put(Unit(id="mill-filter", site="mill", catalogue="weak-acid-exchange", unit=EXCHANGER), "made")
        work.put(SamplingPoint(id="mill-out", site="mill", place="after treatment", name="outlet"), "made")
    page = open_page(bench, account=account)
    page.goto("/commissioning")
    page.get_by_role("link", name="Mill Yard & Co").click()
    page.get_by_label("Present setting of the head").select_option(index=1)
    page.get_by_role("button", name="Set and flushed").click()
    for water, photograph in (("feed", "salt-quay"), ("treated", "mill-yard")):
        expect(page.get_by_role("heading", name=f"Photograph the {water} water")).to_be_visible()
        page.get_by_role("link", name="Photograph").click()
        page.get_by_role("button", name=BATCH).click()
        page.get_by_role("button", name="Use this tube anyway").click()
        page.get_by_role("button", name="The sample is cool").click()
        page.get_by_label("Camera app").set_input_files(just_taken(samples, photograph))
        expect(page.get_by_role("link", name="Show full reading")).to_be_visible()
        page.get_by_role("link", name="Done").click()
    expect(page.get_by_text("Step 4 of 4")).to_be_visible()
    assert {r.point for r in readings(bench.store, ReadingFilter())} >= {POINT, "mill-out"}
