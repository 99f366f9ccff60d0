"""Treated water is assessed with its unit and feed water as they were at the time of the sample."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import msgspec
import pytest

from assess.diagnosis.result import NotCompared, Upstream
from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.intake.pairing import pairing_of
from stripread.intake.reassess import pair_again, reassess_sites
from stripread.intake.sampling_context import machine_for_point
from stripread.intake.terms import assess_on, own_terms
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import overview
from stripread.operations.commissioning import check_unit
from stripread.reading.assessment import sample_of
from stripread.report.document.model import html
from stripread.report.document.pdf import pdf
from stripread.report.sites.commissioning import commissioning_sheet
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.models.sites import Machine, SamplingPoint, Service, Unit
from stripread.store.reading_status import current_assessment
from stripread.store.settings import Issuer
from stripread.store.store import Store
from tests.stripread.cli.inside import stripread
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    keep,
    photograph_of,
    reading_of,
    with_chart,
)

UNITS = load_units()
#: Feed water, and by hand (mass balance) the water of a weak-acid exchanger that takes 90 % of the alkalinity of what
#: passes it: at the setting on file (30 % bypass), and at 60 %.
TAP = {"hardness": 200.0, "alkalinity": 170.0, "chloride": 15.0}
SET, TURNED = ({**TAP, "hardness": 200 - 0.9 * 170 * (1 - b), "alkalinity": 170 - 0.9 * 170 * (1 - b)}
               for b in (0.3, 0.6))


@pytest.fixture
def store(mill: Store, sample_chart: Chart) -> Store:
    """A machine, and a unit installed 9 days ago at 30 % bypass."""
    with_chart(mill, sample_chart, "A")
    from assess.equipment import load_equipment

    keep(mill, Machine(id="m", site="mill", equipment=load_equipment("two-boiler-espresso")),
         Unit(id="u", site="mill", catalogue="weak-acid-exchange", unit=UNITS["weak-acid-exchange"]),
         Service(id="s", unit="u", at=NOW - timedelta(days=9), job="installed", account=ACCOUNT, setting=0.3))
    return mill


def read(store: Store, chart: Chart, point: str, values: dict[str, float], days: float) -> Photograph:
    """Store a reading of a water, assessed as intake does it."""
    photograph = photograph_of(f"{point} {days}", NOW - timedelta(days=days), point=point, batch="A")
    pads = {a: Value(v, u=max(1.0, 0.02 * v), u_chart=0.01 * v) for a, v in values.items()}
    reading = reading_of(photograph, pads, chart=msgspec.structs.replace(chart, batch="A").id)
    keep(store, photograph, reading)
    machine, equipment = machine_for_point(store, point, None)
    keep(store, StoredAssessment(id=f"of {reading.id}", reading=reading.id, at=reading.at, account=ACCOUNT,
                                 machine=machine, assessment=assess_on(
        own_terms(store), sample_of(reading.reading), equipment, pairing_of(store, photograph, reading.chart))))
    return photograph


def assessed(store: Store, photograph: Photograph) -> StoredAssessment:
    (reading,) = store.find(StoredReading, photograph=photograph.id)
    found = current_assessment(store, reading.id)
    assert found is not None
    return found


def note(store: Store, photograph: Photograph) -> str:
    found = pairing_of(store, photograph, "another chart")
    assert isinstance(found, NotCompared)
    return found.why


def test_treated_water_is_paired_with_its_feed_water_unit_and_setting(store: Store, sample_chart: Chart) -> None:
    read(store, sample_chart, "tap", TAP, 30)
    read(store, sample_chart, "tap", TAP, 5)
    outlet = read(store, sample_chart, "behind", SET, 4.9)
    found = pairing_of(store, outlet, msgspec.structs.replace(sample_chart, batch="A").id)
    assert isinstance(found, Upstream)
    assert (found.installed.unit, found.installed.setting, found.same_chart) == ("weak-acid-exchange", 0.3, True)
    assert found.feed_days == pytest.approx(0.1, abs=0.001)
    assert {e.analyte: e.value for e in found.usual} == pytest.approx(TAP)
    assert found.usage is not None
    diagnosis = assessed(store, outlet).assessment.diagnosis
    assert diagnosis is not None
    assert diagnosis.state == "working"
    assert "within its uncertainty" in assessed(store, outlet).assessment.plan.next_step


def test_a_wrong_setting_is_the_next_action_of_the_site(store: Store, sample_chart: Chart) -> None:
    read(store, sample_chart, "tap", TAP, 5)
    outlet = read(store, sample_chart, "behind", TURNED, 4.9)
    diagnosis = assessed(store, outlet).assessment.diagnosis
    assert diagnosis is not None
    assert diagnosis.state == "setting-off"
    (site,) = overview(store, load_intervals(), scope=Scope()).sites
    assert site.next is not None
    assert site.next.what == diagnosis.action
    assert site.next.what.startswith("turn weak-acid ion exchange with bypass to bypass 30 %")
    check = check_unit(store, "mill")
    assert check.commissioning.setting is not None
    assert check.commissioning.setting.low < 0.6 < check.commissioning.setting.high
    assert not check.commissioning.confirmed
    sheet = commissioning_sheet(check, Issuer(), NOW)
    assert [s.title for s in sheet.sections] == [
        "Unit and setting", "Before and after the unit", "Cautions", "Signatures"]
    assert b"Checked by" in html(sheet)
    assert f"Feed water sampled {NOW - timedelta(days=5):%Y-%m-%d}".encode() in html(sheet)
    assert pdf(sheet).startswith(b"%PDF")


def test_the_command_diagnoses_and_writes_the_sheet(store: Store, sample_chart: Chart, tmp_path: Path,
                                                    monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STRIPREAD_DATABASE", store.engine.url.render_as_string())
    none = stripread("diagnose", "mill")
    assert (none.returncode, "there is no assessed treated water" in none.stderr) == (2, True)
    read(store, sample_chart, "tap", TAP, 5)
    read(store, sample_chart, "behind", TURNED, 4.9)
    done = stripread("diagnose", "Mill Lane", "--unit", "u", "-o", tmp_path / "sheet.html")
    first, finding, action, advice, remaining = done.stdout.splitlines()
    assert first.startswith("Mill Lane: weak-acid ion exchange with bypass, treated water of 2026-02-25")
    assert finding.startswith("The treated water does not fit the setting on file: the bypass is at about ")
    assert action.startswith("Do: turn weak-acid ion exchange with bypass to bypass 30 % and test again")
    assert advice.endswith("not 30 %: turn it to 30 %, flush the unit and test again.")
    assert remaining.startswith("Remaining capacity: ")
    assert "Checked by" in (tmp_path / "sheet.html").read_text()
    shown = json.loads(stripread("diagnose", "mill", "--json").stdout)
    assert shown["diagnosis"]["state"] == "setting-off"
    assert shown["commissioning"]["setting"]["low"] < 0.6 < shown["commissioning"]["setting"]["high"]


def test_a_feed_water_that_is_read_later_is_paired(store: Store, sample_chart: Chart) -> None:
    outlet = read(store, sample_chart, "behind", SET, 5)
    assert "No reading of the mains is on file" in " ".join(assessed(store, outlet).assessment.notes)
    tap = read(store, sample_chart, "tap", TAP, 4.99)
    (again,) = pair_again(store, ACCOUNT, [tap])
    assert assessed(store, outlet).id == again.id
    assert again.assessment.diagnosis is not None
    assert list(pair_again(store, ACCOUNT, [tap])) == [], "nothing has changed"


def test_a_change_of_setting_or_machine_assesses_the_site_again(store: Store, sample_chart: Chart) -> None:
    tap, outlet = read(store, sample_chart, "tap", TAP, 5), read(store, sample_chart, "behind", SET, 4.9)
    assert list(reassess_sites(store, ACCOUNT, "nothing has changed", ["mill"])) == []
    keep(store, Service(id="t", unit="u", at=NOW, job="setting changed", account=ACCOUNT, setting=0.5))
    (again,) = reassess_sites(store, ACCOUNT, "setting changed", ["mill"])
    assert again.reading == store.find(StoredReading, photograph=tap.id)[0].id, "the outlet was sampled before"
    assert again.assessment.equipment.treatment is not None
    assert again.assessment.equipment.treatment.setting == 0.5
    machine = store.get(Machine, "m")
    keep(store, msgspec.structs.replace(machine, equipment=msgspec.structs.replace(machine.equipment, name="bar")))
    assert {a.assessment.equipment.name for a in reassess_sites(store, ACCOUNT, "machine changed", ["mill"])} == {"bar"}
    assert len(store.find(StoredAssessment, reading=again.reading)) == 3, "earlier assessments are retained"
    assert assessed(store, outlet).assessment.diagnosis is not None


def test_what_cannot_be_paired_is_reported(store: Store, sample_chart: Chart) -> None:
    read(store, sample_chart, "tap", TAP, 60)
    early = photograph_of("early", NOW - timedelta(days=50), point="behind", batch="A")
    keep(store, msgspec.structs.replace(store.get(SamplingPoint, "behind"), unit="u"))
    assert "was not installed on 2026-01-11" in note(store, early)
    assert pairing_of(store, photograph_of("t", NOW, point="tap", batch="A"), "") is None
    keep(store, msgspec.structs.replace(store.get(SamplingPoint, "behind"), unit=None),
         Unit(id="v", site="mill", catalogue="carbon-filter", unit=UNITS["carbon-filter"]))
    today = photograph_of("today", NOW, point="behind", batch="A")
    assert note(store, today).startswith("2 units are installed upstream of this point")
    keep(store, msgspec.structs.replace(store.get(SamplingPoint, "behind"), machine="m"))
    assert note(store, today).startswith("2 units are installed upstream of this point"), "they serve every machine"
    keep(store, Service(id="gone", unit="v", at=NOW - timedelta(days=1), job="removed", account=ACCOUNT))
    assert isinstance(pairing_of(store, today, ""), Upstream)
    store_points = [p for p in store.find(SamplingPoint, site="mill") if p.place == "mains"]
    keep(store, *(msgspec.structs.replace(p, place="at the machine") for p in store_points))
    assert "has no sampling point of the mains" in note(store, today)
